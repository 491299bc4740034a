"""Plans of sampling: what they promise is what such studies then find."""

import numpy as np
import pytest

from phenology.ahead.plan import FEEDERS, PEAK, recommend
from phenology.ahead.plan_command import told_plans
from phenology.errors import StudyError
from phenology.models.sampling_plan import (
    Habits,
    Plan,
    change_seen,
    date_widths,
    feeder_widths,
    habits_of,
    mean_width,
    simulate_plan,
)
from phenology.models.season import SeasonModel
from phenology.models.season_predictors import PREDICTORS, SCALES

KNOWN = Plan(days=15, sites=3, seasons=4)
PLANNED = Plan(days=24, sites=3, seasons=4)


def _habits() -> Habits:
    groups = np.zeros((1, len(PREDICTORS)))
    groups[0, PREDICTORS.index("passage_level")] = np.log(8.0)
    groups[0, PREDICTORS.index("log_width")] = np.log(9.0)
    scales = dict.fromkeys(SCALES, 0.3) | {"dispersion": 4.0}
    scales |= {name: 3.0 for name in SCALES if "date" in name}
    return Habits(groups, scales, "passage", 180.0, 270.0)


def test_the_width_foretold_is_the_width_found() -> None:
    """The plan is made from one fitted study, then carried out in others of the same truth."""
    truth = _habits()
    study = simulate_plan(KNOWN, truth, np.random.default_rng(1))
    fitted = SeasonModel(draws=200, points=24, method="laplace").fit(study)
    foretold = date_widths(PLANNED, habits_of(fitted.posterior_, study), studies=4, seed=2)
    found = date_widths(PLANNED, truth, studies=4, seed=900)
    assert np.nanmean(foretold) == pytest.approx(np.nanmean(found), rel=0.25)


def test_the_feeder_effect_foretold_is_the_one_found_and_more_seasons_narrow_it() -> None:
    few = feeder_widths(Plan(10, 6, 4), birds_a_day=2.0, bird_sd=0.06, studies=6, seed=1)
    again = feeder_widths(Plan(10, 6, 4), birds_a_day=2.0, bird_sd=0.06, studies=6, seed=500)
    many = feeder_widths(Plan(10, 6, 12), birds_a_day=2.0, bird_sd=0.06, studies=6, seed=1)
    assert np.nanmean(few) == pytest.approx(np.nanmean(again), rel=0.25)
    assert np.nanmean(many) < 0.8 * np.nanmean(few)


def test_more_birds_narrow_a_mean_until_seasons_differ() -> None:
    assert mean_width(400, 0.1, 0.0) == pytest.approx(mean_width(100, 0.1, 0.0) / 2)
    assert mean_width(1e9, 0.1, 0.02) == pytest.approx(2 * 1.6449 * 0.02)


def test_a_change_of_that_size_is_seen_four_times_in_five() -> None:
    """By simulation: estimates of standard error 1, judged by their 90 % interval."""
    size = change_seen(width=2 * 1.6449, comparing_two=False)
    estimates = size + np.random.default_rng(3).standard_normal(100_000)
    seen = np.abs(estimates) > 1.6449
    assert seen.mean() == pytest.approx(0.80, abs=0.01)


def test_the_narrowest_plan_within_the_days_is_recommended() -> None:
    import pandas as pd

    rows = [
        {"days": days, "sites": 2, "seasons": 3, "total_days": days * 6, "aim": aim, "unit": "days"}
        | {"width": 30 / days, "change_seen": 20 / days}
        for days in (5, 10, 20)
        for aim in (PEAK, FEEDERS)
    ]
    table = pd.DataFrame(rows)
    best = recommend(table, days_to_spend=60)
    assert best["days"].to_list() == [10, 10]
    assert all("With 60 days to spend" in line for line in told_plans(table, best, 60))
    with pytest.raises(StudyError, match="No plan fits into 10 days"):
        recommend(table, days_to_spend=10)
