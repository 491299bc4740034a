"""What is made of a finished run and shared: no bander, no remark, no exact sensitive place."""

import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from invented_support import assess_invented, invented_parts, write_finished
from kept_private import BANDER, LATITUDE, LONGITUDE, REMARK, SECRETS, tells
from typer.testing import CliRunner

from phenology.ahead.plan_command import plan_task
from phenology.cli import app
from phenology.compute import quiet

NAME = "Hidden Seep"  # of a sensitive site, known to those who know the country
SECRETS_OF_SITES = (*SECRETS, NAME)
WHERE = pd.DataFrame(  # the first two in one square of ten kilometres
    {
        "latitude": [float(LATITUDE), 33.26, 34.0, 34.2],
        "longitude": [-float(LONGITUDE), -109.17, -109.9, -109.3],
        "elevation_m": 2107,
        "name": [NAME, NAME, "Open fork", "Open ridge"],
        "sensitive": ["yes", "yes", "no", "no"],
    }
)


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    study, *others = invented_parts()
    captures = study.captures.assign(bander=BANDER, remarks=REMARK)
    parts = replace(study, sheets={"captures": captures}), *others
    told = assess_invented(parts)[0]
    return write_finished(tmp_path_factory.mktemp("secret") / "study", parts, told, WHERE)


def shown(kept: Path, *arguments: object) -> str:
    """What a command prints, kept in a file."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert result.exit_code == 0, result.output
    kept.write_text(result.stdout)
    return result.stdout


@pytest.mark.parametrize("form", ["table", "csv", "json", "html"])
@pytest.mark.parametrize(
    ("command", "more"),
    [("compare", ()), ("scenario", ("--bloom", "half", "--beside", "feeders none"))],
)
def test_answers_tell_no_secret(finished, tmp_path, tried, command, more, form):
    assert shown(tmp_path / "told", command, finished, *more, "--format", form).count("local") > 1
    assert tells(tmp_path / "told", SECRETS_OF_SITES) == []
    tried(command, f"names, remarks, exact places in {form}", "none found")


def test_a_map_shows_sensitive_sites_by_their_square(finished, tmp_path, tried):
    """A place could be read off a mark: two places in one square share theirs."""
    page = shown(tmp_path / "told", "compare", finished, "--format", "html")
    mark = r'<title>(site\d): [^<]*</title><circle class="paper" cx="([\d.]+)" cy="([\d.]+)"'
    marks = {site: (x, y) for site, x, y in re.findall(mark, page)}
    assert sorted(marks) == ["site1", "site2", "site3", "site4"]
    assert marks["site1"] == marks["site2"]
    assert len(set(marks.values())) == 3
    tried("compare", "two sensitive sites in one square on the map", "one place")


def test_a_permit_year_names_banders_and_nothing_else(finished, tmp_path, tried):
    """It is private, and the permit asks who banded."""
    for form in ("table", "csv"):
        asked = ("permit", finished, "--year", "2031", "--format", form)
        assert BANDER in shown(tmp_path / "told", *asked)
        assert set(tells(tmp_path / "told", SECRETS_OF_SITES)) <= {BANDER, BANDER.split()[1]}
        tried("permit", f"remarks, exact places in {form}", "none found")


def test_a_plan_tells_no_secret(finished, tmp_path, tried):
    out = tmp_path / "plan"
    told = plan_task(quiet, str(finished), None, [4], [1], [1], None, None, 1, str(out), 1)
    (out / "told.txt").write_text(f"{told}")
    files = [path for path in out.rglob("*") if path.is_file()]
    assert {path.name for path in files} == {"plan.html", "plans.csv", "summary.json", "told.txt"}
    for path in files:
        assert tells(path, SECRETS_OF_SITES) == [], path
        tried("plan", f"names, remarks, exact places in {path.suffix}", "none found")
