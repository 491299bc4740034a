"""Forecasts of a season's days, as a user asks for them."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from phenology.ahead.command import write_forecast
from phenology.ahead.forecast import Forecast, forecast_season
from phenology.ahead.known import known_on
from phenology.ahead.page import told_days
from phenology.cli import app
from phenology.errors import StudyError
from phenology.study.study import Study, open_study

ISSUED = pd.Timestamp("2034-07-20")
LIMIT = "[limits]\nbirds_per_hour = 2\n"
WriteStudy = Callable[..., Path]


def _sheets() -> dict[str, list[dict[str, object]]]:
    rng = np.random.default_rng(1)
    captures, effort, bloom = [], [], []
    for season in range(2031, 2035):
        for day in range(182, 260, 5):
            date = f"{pd.Timestamp(season, 1, 1) + pd.Timedelta(days=day - 1):%Y-%m-%d}"
            session = {"open": "06:00", "close": "11:00", "traps": 2, "baited": "yes"}
            effort.append({"site": "fork", "date": date, "trap": "T1"} | session)
            bloom.append(
                {"site": "fork", "date": date, "plant": "invented sage", "open_flowers": 40}
                | {"area_m2": 10, "complete": "yes"}
            )
            for _ in range(rng.poisson(14 * np.exp(-0.5 * ((day - 215) / 11) ** 2))):
                band = f"TEST-{len(captures):05d}"
                captures.append(
                    {"site": "fork", "date": date, "time": "08:00", "band": band, "trap": "T1"}
                    | {"species": "Selasphorus rufus", "capture": "new", "age": "adult"}
                    | {"sex": "male", "wing_mm": 40.2, "mass_g": 3.4, "fat": 1}
                )
    return {"captures": captures, "effort": effort, "bloom": bloom}


@pytest.fixture(scope="module")
def studies(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Study]:
    """One study with an hourly limit, one without."""
    import csv

    opened = {}
    for name, toml in (("limited", LIMIT), ("free", "")):
        folder = tmp_path_factory.mktemp(name)
        head = 'name = "Invented station"\n[species]\n"Selasphorus rufus" = "passage"\n'
        (folder / "study.toml").write_text(head + toml)
        station = {"site": "fork", "latitude": 30.1, "longitude": -108.2, "elevation_m": 2100}
        for sheet, rows in (_sheets() | {"sites": [station]}).items():
            with (folder / f"{sheet}.csv").open("w", newline="") as file:
                writer = csv.DictWriter(file, list(rows[0]))
                writer.writeheader()
                writer.writerows(rows)
        opened[name] = open_study(folder)
    return opened


def _forecast(study: Study) -> Forecast:
    return forecast_season(study, 2034, issued=ISSUED, weekdays=("sat", "sun"), seasons_scored=0)


@pytest.fixture(scope="module")
def limited(studies: dict[str, Study]) -> Forecast:
    return _forecast(studies["limited"])


def test_it_expects_most_birds_about_the_passage_s_peak(limited: Forecast) -> None:
    best = limited.captures.loc[limited.captures["expected"].idxmax()]
    assert abs(best["day"] - 215) <= 8
    assert best["low"] < 13 < best["high"]
    assert 8 < best["expected"] < 24
    assert (limited.captures["low"] <= limited.captures["expected"]).all()
    assert set(limited.days["date"].dt.day_of_week) == {5, 6}
    assert limited.days["date"].min() > ISSUED


def test_nothing_later_than_the_day_of_issue_is_used(
    studies: dict[str, Study], limited: Forecast
) -> None:
    study = studies["limited"]
    poisoned = {}
    for kind, sheet in study.sheets.items():
        if "date" not in sheet:
            poisoned[kind] = sheet
            continue
        later = sheet["date"] > ISSUED
        wrong = sheet[later].assign(site="fork")
        if kind == "captures":
            wrong = pd.concat([wrong] * 30, ignore_index=True).assign(band=None, mass_g=9.0)
        if kind == "bloom":
            wrong = wrong.assign(open_flowers=1e6)
        if kind == "effort":
            wrong = wrong.assign(traps=50.0)
        poisoned[kind] = pd.concat([sheet[~later], wrong], ignore_index=True)
    assert len(poisoned["captures"]) > len(study.captures)
    again = _forecast(replace(study, sheets=poisoned))
    pd.testing.assert_frame_equal(again.captures, limited.captures)
    pd.testing.assert_frame_equal(again.days, limited.days)


def test_a_span_that_ends_later_is_open_on_the_day_of_issue(studies: dict[str, Study]) -> None:
    spans = pd.DataFrame(
        {
            "site": "fork",
            "from": pd.to_datetime(["2034-06-01", "2034-08-01"]),
            "until": pd.to_datetime(["2034-07-25", "2034-08-09"]),
        }
    )
    study = studies["free"]
    known = known_on(replace(study, sheets=study.sheets | {"feeders": spans}), ISSUED)
    assert known.sheets["feeders"]["until"].to_list() == [pd.Timestamp("2034-12-31")]


def test_a_day_likely_to_exceed_the_limit_is_never_recommended(limited: Forecast) -> None:
    busy = limited.days["over_limit"] >= 0.5
    assert busy.any()
    assert limited.days.loc[busy, "rank"].isna().all()
    first = limited.days.loc[limited.days["rank"] == 1].iloc[0]
    assert first["over_limit"] < 0.5
    assert first["expected"] < limited.days["expected"].max()
    assert any("left out" in line for line in told_days(limited))
    assert limited.days["capacity"].unique().tolist() == [10.0]


def test_without_a_limit_it_says_that_none_was_set(studies: dict[str, Study]) -> None:
    free = _forecast(studies["free"])
    assert any("No hourly limit was set" in note for note in free.notes)
    assert any("permits" in note for note in free.notes)
    assert free.days["rank"].notna().all()
    assert free.days.loc[free.days["rank"] == 1, "expected"].item() == free.days["expected"].max()


def test_past_seasons_are_scored_against_every_rival(studies: dict[str, Study]) -> None:
    scored = forecast_season(
        studies["free"], 2034, issued=ISSUED, weekdays=("sat",), seasons_scored=1
    )
    skill = scored.skill
    assert {"season model", "mean season", "last year alone", "learned curve"} <= set(
        skill["forecast"]
    )
    assert set(skill["lead"]) == {"before the season", "captures to mid-season"}
    assert (skill.loc[skill["forecast"] == "mean season", "skill"] == 0).all()
    at_lead = skill[skill["lead"] == "captures to mid-season"]
    best = at_lead.loc[at_lead["crps"].idxmin(), "forecast"]
    assert set(scored.captures["forecast"]) == {best}


def test_the_page_and_its_tables_are_written_whole(tmp_path: Path, limited: Forecast) -> None:
    write_forecast(limited, tmp_path, "Invented <b>station</b>", {"captures.csv": "0"})
    listed = json.loads((tmp_path / "summary.json").read_text())["files"]
    found = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()}
    assert set(listed) == found
    page = (tmp_path / "forecast.html").read_text()
    assert "<b>station</b>" not in page
    assert "permits, trained hands" in page


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"weekdays": ("someday",)}, "no day of the week"),
        ({"closed": ("next week",)}, "is no date"),
        ({"issued": pd.Timestamp("2034-12-01")}, "was over"),
        ({"season": 2050}, "not one to forecast"),
        ({"issued": pd.Timestamp("2020-01-01")}, "Nothing was known"),
    ],
)
def test_what_cannot_be_asked_is_said_in_words(
    studies: dict[str, Study], asked: dict[str, object], told: str
) -> None:
    arguments = {"season": 2034, "issued": ISSUED} | asked
    with pytest.raises(StudyError, match=told):
        forecast_season(studies["free"], seasons_scored=0, **arguments)


def test_without_effort_it_refuses(studies: dict[str, Study]) -> None:
    study = studies["free"]
    sheets = {kind: sheet for kind, sheet in study.sheets.items() if kind != "effort"}
    with pytest.raises(StudyError, match="without an effort sheet"):
        forecast_season(replace(study, sheets=sheets), 2034)


def test_the_command_prints_the_days(studies: dict[str, Study], tmp_path: Path) -> None:
    asked = ["forecast", str(studies["limited"].folder), "--season", "2034", "--past", "0"]
    asked += ["--issued", "2034-07-20", "--days", "sat,sun", "--not", "2034-07-22"]
    done = CliRunner().invoke(app, [*asked, "--out", str(tmp_path / "ahead"), "--format", "csv"])
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("site,date,weekday,device_hours,expected")
    assert "2034-07-22" not in done.stdout
    assert (tmp_path / "ahead" / "forecast.html").is_file()
