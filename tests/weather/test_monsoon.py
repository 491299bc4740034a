"""Onset, withdrawal and strength: by hand, by property, and on 500 seasons with a known onset."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from phenology.errors import StudyError
from phenology.estimates import Estimates
from phenology.models.monsoon_dewpoint import (
    Regimes,
    dewpoint_onset,
    dewpoint_threshold_c,
    dewpoint_withdrawal,
    first_run,
    learn_regimes,
)
from phenology.models.monsoon_rain import (
    learn_rain_levels,
    longest_break,
    rain_turns,
    total_with_gaps,
)
from phenology.weather.monsoon import find_monsoon, report_monsoon

DRY, MOIST = 2.0, 14.0
LEVELS = Regimes(DRY, MOIST, 1.5, 0.3)


def season(*moist_spans, days=120):
    """A season without noise: moist on the given spans, ends left out."""
    dewpoint = np.full(days, DRY)
    for first, end in moist_spans:
        dewpoint[first:end] = MOIST
    return dewpoint


def test_the_onset_is_the_first_of_three_moist_days():
    turn = dewpoint_onset(season((40, 90)), 8.0, regimes=LEVELS)
    assert (turn.day, turn.false_starts, turn.reason) == (40, (), "")
    assert turn.low <= 40 <= turn.high


def test_two_moist_days_are_no_run():
    turn = dewpoint_onset(season((20, 22), (40, 90)), 8.0, regimes=LEVELS)
    assert turn.day == 40
    assert turn.false_starts == ()


def test_a_run_followed_by_a_fall_is_a_false_start():
    turn = dewpoint_onset(season((20, 25), (40, 90)), 8.0, regimes=LEVELS)
    assert turn.day == 40
    assert turn.false_starts == (20,)


def test_a_short_break_is_no_fall():
    turn = dewpoint_onset(season((40, 46), (49, 90)), 8.0, regimes=LEVELS)
    assert turn.day == 40


@pytest.mark.parametrize(
    ("dewpoint", "reason"),
    [
        (season(), "no 3 moist days on end"),
        (season((20, 24), (60, 64)), "every run of moist days was followed by a fall"),
        (season((0, 90)), "moist from the first day on"),
        (np.full(120, np.nan), "too many days without dew point"),
    ],
)
def test_no_onset_is_a_legal_answer_with_a_reason(dewpoint, reason):
    turn = dewpoint_onset(dewpoint, 8.0, regimes=LEVELS)
    assert turn.day is None
    assert reason in turn.reason
    assert np.isnan(turn.low)


def test_withdrawal_is_the_last_day_of_the_last_lasting_run():
    turn = dewpoint_withdrawal(season((40, 90), (105, 109)), 8.0, regimes=LEVELS)
    assert turn.day == 89
    assert turn.low <= 89 <= turn.high
    still = dewpoint_withdrawal(season((40, 120)), 8.0, regimes=LEVELS)
    assert still.day is None
    assert still.reason == "still moist on the last day"


def test_missing_days_do_not_make_a_run():
    dewpoint = season((40, 90))
    dewpoint[41] = np.nan
    assert dewpoint_onset(dewpoint, 8.0, regimes=LEVELS).day == 42


def test_noise_widens_the_interval():
    dewpoint = season((40, 90))
    quiet = dewpoint_onset(dewpoint, 8.0, regimes=Regimes(DRY, MOIST, 1.0, 0.2))
    noisy = dewpoint_onset(dewpoint, 8.0, regimes=Regimes(DRY, MOIST, 6.0, 0.6))
    assert noisy.high - noisy.low > quiet.high - quiet.low


def test_the_threshold_falls_with_height():
    # Criteria once in use at three stations of one region: NWS, quoted.
    assert dewpoint_threshold_c(337.0) == pytest.approx((55 - 32) / 1.8, abs=0.15)
    assert dewpoint_threshold_c(779.0) == pytest.approx((54 - 32) / 1.8, abs=0.15)
    assert dewpoint_threshold_c(1430.0) == pytest.approx((52 - 32) / 1.8, abs=0.15)


def test_a_site_without_a_dry_season_has_no_contrast_to_learn():
    rng = np.random.default_rng(3)
    assert learn_regimes(rng.normal(10, 4, (10, 150))) is None
    assert learn_regimes(np.full((2, 150), np.nan)) is None


@given(st.integers(10, 60), st.integers(0, 3), st.floats(-5, 5))
def test_onset_moves_with_the_season_and_not_with_the_scale(first, shift, offset):
    dewpoint = season((first, 100))
    moved = season((first + shift, 100))
    assert (
        dewpoint_onset(moved, 8.0, regimes=LEVELS).day
        == dewpoint_onset(dewpoint, 8.0, regimes=LEVELS).day + shift
    )
    lifted = Regimes(DRY + offset, MOIST + offset, 1.5, 0.3)
    assert dewpoint_onset(dewpoint + offset, 8.0 + offset, regimes=lifted).day == first


@given(st.lists(st.booleans(), min_size=1, max_size=40), st.integers(1, 5))
def test_first_run_is_a_run_and_the_first(moist, run_days):
    found = first_run(np.array(moist), run_days)
    starts = [k for k in range(len(moist) - run_days + 1) if all(moist[k : k + run_days])]
    assert found == (starts[0] if starts else -1)


def test_rain_turns_of_a_plain_season():
    rain = np.zeros((6, 120))
    rain[:, 50:91:2] = 8.0
    levels = learn_rain_levels(rain)
    onset, withdrawal = rain_turns(rain[0], levels)
    assert (onset.day, withdrawal.day) == (50, 90)
    assert onset.low <= 50 <= onset.high
    failed, _ = rain_turns(np.where(np.arange(120) == 70, 8.0, 0.0), levels)
    assert failed.day is None
    assert "no lasting rise" in failed.reason


def test_no_rain_at_all_teaches_no_levels():
    assert learn_rain_levels(np.zeros((5, 120))) is None


def test_break_and_total():
    assert longest_break(np.array([0.0, 5.0, 0.0, 0.0, 0.9, 2.0])) == 3
    full, low, high = total_with_gaps(np.array([1.0, np.nan, 3.0, 0.0, 0.0, 2.0]))
    assert low <= full <= high
    assert low >= 6.0
    assert full == pytest.approx(6.0 + 1.2)
    assert np.isnan(total_with_gaps(np.array([1.0, np.nan, np.nan]))[0])


@pytest.fixture(scope="module")
def found(seasons):
    """Onsets of every simulated season by dew point, by its shortcut, and by rain."""
    estimates = {"dewpoint": [], "shortcut": [], "rain": []}
    for site in range(seasons.onset.shape[0]):
        regimes = learn_regimes(seasons.dewpoint_c[site])
        levels = learn_rain_levels(seasons.rain_mm[site])
        threshold = regimes.threshold_c()
        for year in range(seasons.onset.shape[1]):
            for name, dewpoint in [
                ("dewpoint", seasons.dewpoint_c),
                ("shortcut", seasons.shortcut_c),
            ]:
                turn = dewpoint_onset(dewpoint[site, year], threshold, regimes=regimes)
                estimates[name].append(turn)
            estimates["rain"].append(rain_turns(seasons.rain_mm[site, year], levels)[0])
    return estimates


def errors(turns, truth, among):
    days = np.array([np.nan if turn.day is None else turn.day for turn in turns])
    return (days - truth)[among]


def test_onset_by_dew_point_on_500_seasons(seasons, found):
    truth = seasons.onset.ravel()
    plain = (truth >= 0) & ~seasons.false_start.ravel()
    error = errors(found["dewpoint"], truth, plain)
    hits = (np.abs(error) <= 3).mean()
    print(f"dew point: {hits:.3f} within 3 days of {plain.sum()}, bias {np.nanmean(error):+.2f} d")
    assert plain.sum() > 330
    assert hits >= 0.85
    held = np.array(
        [turn.low <= day <= turn.high for turn, day in zip(found["dewpoint"], truth, strict=True)]
    )
    print(f"its 90 % interval held the truth in {held[plain].mean():.3f}")
    assert held[plain].mean() >= 0.85


def test_onset_by_rain_on_500_seasons(seasons, found):
    truth = seasons.onset.ravel()
    plain = (truth >= 0) & ~seasons.false_start.ravel()
    error = errors(found["rain"], truth, plain)
    hits = (np.abs(error) <= 7).mean()
    print(f"rain: {hits:.3f} within 7 days, bias {np.nanmean(error):+.2f} d")
    assert hits >= 0.70
    assert abs(np.nanmean(error)) < 2.0
    held = np.array(
        [turn.low <= day <= turn.high for turn, day in zip(found["rain"], truth, strict=True)]
    )
    print(f"its 90 % interval held the truth in {held[plain].mean():.3f}")
    assert held[plain].mean() >= 0.80


def test_failed_and_false_starts_on_500_seasons(seasons, found):
    truth = seasons.onset.ravel()
    failed = truth < 0
    silent = np.array([turn.day is None for turn in found["dewpoint"]])
    print(f"no onset recognised in {silent[failed].mean():.3f} of {failed.sum()}")
    assert failed.sum() >= 15
    assert silent[failed].mean() >= 0.85
    assert silent[~failed].mean() <= 0.02
    with_false = seasons.false_start.ravel()
    told = np.array([len(turn.false_starts) > 0 for turn in found["dewpoint"]])
    error = errors(found["dewpoint"], truth, with_false)
    hits = (np.abs(error) <= 3).mean()
    print(f"false starts told in {told[with_false].mean():.3f}; onset within 3 days in {hits:.3f}")
    assert told[with_false].mean() >= 0.85
    assert told[with_false].mean() > 5 * told[~with_false & ~failed].mean()
    assert hits >= 0.80


def test_dew_point_of_daily_means_comes_early(seasons, found):
    truth = seasons.onset.ravel()
    real = truth >= 0
    excess = float((seasons.shortcut_c - seasons.dewpoint_c).mean())
    earlier = errors(found["shortcut"], truth, real) - errors(found["dewpoint"], truth, real)
    earlier = earlier[np.isfinite(earlier)]
    error = earlier.std() / np.sqrt(len(earlier))
    print(f"from daily means {excess:+.2f} °C, onset {earlier.mean():+.2f} ± {error:.2f} d")
    assert excess > 0.2
    assert earlier.mean() < -3 * error


@pytest.fixture(scope="module")
def table(seasons):
    """Two simulated sites through the door that the command uses."""
    dates = pd.date_range("2001-01-01", f"{2000 + seasons.onset.shape[1]}-12-31")
    values = {name: np.full((2, len(dates)), np.nan) for name in ("dewpoint_c", "rain_mm")}
    for year in range(seasons.onset.shape[1]):
        first = dates.get_loc(f"{2001 + year}-05-01")
        span = slice(first, first + seasons.rain_mm.shape[2])
        values["dewpoint_c"][:, span] = seasons.dewpoint_c[:2, year]
        values["rain_mm"][:, span] = seasons.rain_mm[:2, year]
    weather = xr.Dataset(
        {name: (("site", "date"), array) for name, array in values.items()},
        coords={"site": ["fork", "saddle"], "date": dates},
    )
    return find_monsoon(weather, pd.DataFrame({"site": ["fork", "saddle"]}))


def test_the_table_of_years_says_when_how_strong_and_how_sure(seasons, table):
    years = table.years.set_index(["site", "season"])
    assert len(years) == 2 * seasons.onset.shape[1]
    truth = pd.Series(seasons.onset[:2].ravel(), index=years.index).astype(float)
    day = truth.where(truth >= 0) + pd.Timestamp("2001-05-01").day_of_year
    apart = (years["onset_day"] - day).dropna()
    assert apart.abs().median() <= 2
    bounded = years.dropna(subset=["onset_day"])
    assert (bounded["onset_low"] <= bounded["onset_day"]).all()
    assert (bounded["onset_high"] >= bounded["onset_day"]).all()
    assert years["share_of_normal"].groupby("site").mean().to_numpy() == pytest.approx(1.0)
    assert years["spi"].corr(years["season_rain_mm"]) > 0.7
    assert (years["spi_low"] <= years["spi"]).all()
    assert (years["spi_high"] >= years["spi"]).all()
    assert years["wet_days"].between(5, 90).all()
    assert years["longest_break_days"].dropna().between(1, 40).all()
    assert (table.thresholds["basis"] == "learned").all()


def test_bounds_span_both_definitions_where_they_disagree(table):
    years = table.years[table.years["agreement"].str.startswith("disagree")]
    turns = table.turns.set_index(["site", "season", "definition"])
    assert len(years) > 0
    for row in years.to_dict("records"):
        both = turns.loc[(row["site"], row["season"])]
        assert row["onset_low"] == both["onset_low"].min()
        assert row["onset_high"] == both["onset_high"].max()


def test_the_answers_carry_bounds_or_a_reason(table):
    answers = Estimates()
    report_monsoon(table, answers)
    rows = answers.table()
    told = rows[rows["basis"] == "measured"]
    assert (told["low"] <= told["estimate"]).all()
    assert (told["estimate"] <= told["high"]).all()
    refused = rows[rows["basis"] == "refused"]
    assert (refused["note"].str.len() > 10).all()
    assert set(rows["quantity"]) == {"onset_day", "withdrawal_day", "season_rain_mm", "spi"}
    onset = told[(told["quantity"] == "onset_day") & (told["definition"] == "both definitions")]
    years = table.years.dropna(subset=["onset_day"])
    assert onset["estimate"].tolist() == pytest.approx(years["onset_day"].tolist())


def test_a_site_without_dew_point_is_judged_by_rain_alone(seasons):
    dates = pd.date_range("2001-05-01", periods=seasons.rain_mm.shape[2])
    weather = xr.Dataset(
        {
            "rain_mm": (("site", "date"), seasons.rain_mm[:1, 0]),
            "dewpoint_c": (("site", "date"), np.full((1, len(dates)), np.nan)),
        },
        coords={"site": ["fork"], "date": dates},
    )
    found = find_monsoon(weather, pd.DataFrame({"site": ["fork"], "elevation_m": [1500.0]}))
    assert found.thresholds["basis"].tolist() == ["by height"]
    assert "alone" in found.years["agreement"].iloc[0]
    assert np.isnan(found.years["spi"].iloc[0])


def test_weather_without_a_season_is_refused_in_words():
    dates = pd.date_range("2020-12-01", "2021-03-01")
    missing = (("site", "date"), np.zeros((1, len(dates))))
    weather = xr.Dataset(
        {"rain_mm": missing, "dewpoint_c": missing}, coords={"site": ["fork"], "date": dates}
    )
    with pytest.raises(StudyError, match="from the dry season into the wet one"):
        find_monsoon(weather, pd.DataFrame({"site": ["fork"]}))
