"""What a forecast may know of bloom and the monsoon on its day of issue."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenology.ahead.drivers import drivers_of_trials, drivers_on_site_days, known_weather
from phenology.ahead.skill import MIDWAY, Trial
from phenology.models.season_counts import SeasonCounts
from phenology.seasons import season_windows
from phenology.study.study import Study, open_study

EXAMPLE = Path(__file__).parents[2] / "data_examples" / "four_stations"
SEASONS = tuple(range(2031, 2043))


@pytest.fixture(scope="module")
def example() -> Study:
    return open_study(EXAMPLE)


@pytest.fixture(scope="module")
def counts(example: Study) -> SeasonCounts:
    """A day in the middle of each season."""
    number = len(SEASONS)
    zeros = np.zeros(number, int)
    return SeasonCounts(
        count=zeros,
        group=zeros,
        site=zeros,
        season=np.arange(number),
        day=np.full(number, 215.0),
        groups=("Selasphorus rufus",),
        sites=tuple(example.sites["site"]),
        seasons=tuple(map(str, SEASONS)),
        roles=("passage",),
        first_day=121.0,
        last_day=283.0,
    )


def _window(study: Study):
    return season_windows(study.options.seasons, pd.DatetimeIndex(study.effort["date"]))[0]


def test_an_onset_is_known_only_once_it_has_come(example: Study, counts: SeasonCounts) -> None:
    def onset(issued: str):
        weather = known_weather(example, pd.Timestamp(issued))
        return drivers_on_site_days(example, xr.Dataset(), weather, _window(example), counts)[
            "monsoon_onset"
        ]

    early, late = onset("2042-05-20"), onset("2042-12-01")
    last = len(SEASONS) - 1
    assert np.isnan(early[:, last]).all()
    assert np.isfinite(late[:, last]).any()
    assert np.isfinite(early[:, :last]).sum() == np.isfinite(late[:, :last]).sum()


def test_a_past_season_is_told_nothing_that_came_later(
    example: Study, counts: SeasonCounts
) -> None:
    """Weather after the day of issue is made another's, and no driver moves."""
    asked = np.zeros(len(SEASONS), bool)
    asked[-3] = True  # 2040: known until 2 August
    trial = Trial(MIDWAY, len(SEASONS) - 3, ~asked, asked)
    groups = pd.Series("Selasphorus rufus", index=example.captures.index)
    plain = {kind: sheet for kind, sheet in example.sheets.items() if kind != "bloom"}
    weather = plain["weather"]
    later = weather["date"] > pd.Timestamp("2040-08-01")
    changed = weather.assign(dewpoint_c=weather["dewpoint_c"].where(~later, -20.0))
    found = [
        drivers_of_trials(
            replace(example, sheets=plain | {"weather": sheet}),
            groups, _window(example), counts, [trial], seed=1,
        )[MIDWAY, trial.season]
        for sheet in (weather, changed)
    ]  # fmt: skip
    assert set(found[0]) == {"monsoon_onset", "year"}
    for name, values in found[0].items():
        np.testing.assert_array_equal(values, found[1][name])
    assert np.isnan(found[0]["monsoon_onset"][:, -2:]).all()
