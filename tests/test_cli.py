"""Every command has help, an example, and does what it says."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

import phenology
from phenology.cli import app
from phenology.cli.shown import visible
from phenology.errors import StudyError

WriteStudy = Callable[..., Path]
COMMANDS = [
    "run",
    "forecast",
    "plan",
    "scenario",
    "compare",
    "check",
    "codes",
    "new",
    "permit",
    "export",
    "weather",
    "monsoon",
    "simulate",
    "serve",
]


def _call(*arguments: object) -> str:
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture
def study(write_study: WriteStudy) -> Path:
    birds = [
        {
            "site": "fork",
            "date": f"2031-07-{10 + number:02d}",
            "time": "08:30",
            "band": f"TEST-{number:05d}",
            "capture": "new",
            "species": species,
            "age": "adult",
            "sex": "male",
            "mass_g": "3.3",
            "released": "well",
            "bander": "ZZ",
            "remarks": "\x1b[31m<script>",
        }
        for number, species in enumerate(["Selasphorus rufus"] * 7 + ["Selasphorus rufis"])
    ]
    return write_study(captures=birds)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_gives_an_example(command: str) -> None:
    assert f"Example: site-support {command}" in " ".join(_call(command, "--help").split())


def test_it_tells_its_version() -> None:
    assert _call("--version").split() == ["migration-site-support", phenology.__version__]


def test_check_counts_findings_and_rows(study: Path) -> None:
    told = _call("check", study)
    assert "captures: 8 rows read" in told
    assert "unknown_species" in told


@pytest.mark.parametrize("form", ["csv", "json", "html"])
def test_check_prints_findings_for_other_programs(study: Path, form: str) -> None:
    told = _call("check", study, "--format", form)
    assert "Selasphorus rufis" in told
    if form == "json":
        assert {"sheet", "row", "column", "severity", "action"} <= set(json.loads(told)[0])


def test_check_ends_with_one_only_when_strict(study: Path) -> None:
    assert CliRunner().invoke(app, ["check", str(study)]).exit_code == 0
    assert CliRunner().invoke(app, ["check", str(study), "--strict"]).exit_code == 1


def test_codes_are_listed_by_column(study: Path) -> None:
    assert "captures" in _call("codes")
    assert "Selasphorus rufus" in _call("codes", study)


def test_every_column_of_every_sheet_can_be_looked_up() -> None:
    told = _call("codes", "--columns")
    for word in ("mass_g", "body mass", "water_to_sugar", "row set aside"):
        assert word in told


def test_a_new_study_is_made_once(tmp_path: Path) -> None:
    told = _call("new", tmp_path / "station")
    assert "study.toml" in told
    with pytest.raises(StudyError):
        _call("new", tmp_path / "station")


def test_the_permit_year_counts_bands(study: Path) -> None:
    assert "bands used" in _call("permit", study, "--year", 2031)
    with pytest.raises(StudyError, match="no captures in 2030"):
        _call("permit", study, "--year", 2030)


def test_export_writes_what_is_asked_and_nothing_else(study: Path, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="Nothing to export"):
        _call("export", study)
    _call("export", study, "--darwin-core", tmp_path / "a.zip", "--table", tmp_path / "b.parquet")
    assert {path.name for path in tmp_path.iterdir() if path.is_file()} == {"a.zip", "b.parquet"}


def test_monsoon_and_weather_need_weather(study: Path) -> None:
    with pytest.raises(StudyError, match="no weather"):
        _call("monsoon", study)
    with pytest.raises(StudyError, match="does not ask for fetched weather"):
        _call("weather", study, "--offline")


def test_simulate_writes_a_study_that_opens(tmp_path: Path) -> None:
    told = _call("simulate", "--seed", 3, "--sites", 1, "--seasons", 1, "--out", tmp_path / "made")
    assert "1 sites and 1 seasons" in told
    assert "captures:" in _call("check", tmp_path / "made")
    page = tmp_path / "monsoon.html"
    assert "2031" in _call("monsoon", tmp_path / "made", "--out", page)
    assert "a row a year" in page.read_text(encoding="utf-8")


def test_control_and_direction_signs_never_reach_the_terminal() -> None:
    shown = visible("a\x1b[31m\u202eb\n")
    assert not any(ord(sign) < 32 or sign == "\u202e" for sign in shown)
