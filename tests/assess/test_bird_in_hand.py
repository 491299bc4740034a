"""Role, stopover, survival, deposition and readiness: from captures to rows of answers."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenology.assess.deposition import assess_deposition, weighings
from phenology.assess.readiness import AT_CAPTURE, assess_readiness, next_stop_km
from phenology.assess.roles import assess_roles
from phenology.assess.stopover import assess_stopover
from phenology.assess.survival import assess_survival
from phenology.estimates import Estimates
from phenology.models.stopover_simulated import simulate_stopover
from phenology.models.survival_simulated import simulate_recaptures
from phenology.seasons import Window

SPECIES = "Species alpha"


def _captures(dates: pd.DatetimeIndex, band: list[str], **columns: object) -> pd.DataFrame:
    plain = {
        "site": "fork", "species": SPECIES, "age": "adult", "sex": "female", "time": 8.0,
        "mass_g": np.nan, "gravid": pd.NA, "breeding": None, "body_moult": None,
    }  # fmt: skip
    return pd.DataFrame({"date": dates, "band": band} | plain | columns)


def _effort(dates: pd.DatetimeIndex, hours: object = 4.0) -> xr.Dataset:
    by_day = np.broadcast_to(hours, len(dates))
    return xr.Dataset(
        {"effort_hours": (("site", "date", "bait"), by_day[None, :, None])},
        coords={"site": ["fork"], "date": dates, "bait": ["baited"]},
    )


def _stated(captures: pd.DataFrame, role: str) -> "pd.Series[str]":
    return pd.Series(role, index=captures.index)


def test_daily_captures_give_a_stay_of_passage_birds_that_holds_the_truth() -> None:
    caught, effort, truth = simulate_stopover(np.random.default_rng(2), birds=500)
    days = pd.date_range("2031-07-15", periods=len(effort))
    bird, day = np.nonzero(caught)
    captures = _captures(days[day], [f"TEST-{number:05d}" for number in bird])
    answers = Estimates()
    window = Window("", days[0].day_of_year, days[-1].day_of_year)
    assess_stopover(
        captures, _stated(captures, "passage"), _effort(days, effort),
        pd.Series("2031", index=captures.index), (window,), answers, seed=1,
    )  # fmt: skip
    passage = answers.table().set_index(["role", "quantity"]).loc["passage"]
    told, left = passage.loc["stopover_days"], passage.loc["days_to_departure"]
    assert told["low"] < truth.passage_stay_days < told["high"]
    # stays that end by chance leave as much as a whole stay at any capture (memoryless; textbook)
    assert left["low"] < truth.passage_stay_days < left["high"]
    assert left["basis"] == told["basis"]


def test_a_stay_is_refused_with_what_would_be_needed() -> None:
    days = pd.date_range("2031-07-15", periods=30)
    captures = _captures(days, [f"TEST-{number:05d}" for number in range(30)])
    answers = Estimates()
    season = pd.Series("2031", index=captures.index)
    assess_stopover(
        captures, _stated(captures, "passage"), _effort(days), season, (), answers, seed=1
    )
    row = answers.table().iloc[0]
    assert row["basis"] == "refused"
    assert "at most 0 birds" in row["note"]
    assert "needs 20" in row["note"]


def test_survival_of_local_birds_holds_the_truth_and_the_last_season_has_no_return() -> None:
    histories, truth = simulate_recaptures(
        np.random.default_rng(3), marked_per_year=40, survival=0.5, recapture=0.6
    )
    bird, year = np.nonzero(np.vstack([histories, [*[False] * 7, True]]))
    dates = pd.DatetimeIndex([pd.Timestamp(2031 + number, 6, 15) for number in year])
    captures = _captures(dates, [f"TEST-{number:05d}" for number in bird])
    answers = Estimates()
    assess_survival(
        captures, _stated(captures, "local"), _effort(dates.unique().sort_values()),
        pd.Series(dates.year, index=captures.index), answers,
    )  # fmt: skip
    table = answers.table()
    told = table[table["quantity"] == "survival"].iloc[0]
    assert told["low"] < truth.survival < told["high"]
    rates = table[table["quantity"] == "return_rate"].set_index("season")
    assert (rates["basis"].iloc[:-1] == "measured").all()
    assert rates["note"].iloc[-1] == "the last season: no bird could be seen again yet"


def test_survival_of_a_mixed_species_is_refused_in_words() -> None:
    dates = pd.DatetimeIndex(["2031-06-15", "2032-06-15"])
    captures = _captures(dates, ["TEST-00001"] * 2)
    answers = Estimates()
    years = pd.Series(dates.year, index=captures.index)
    assess_survival(captures, _stated(captures, "mixed"), _effort(dates), years, answers)
    assert "not known one by one" in answers.table()["note"].iloc[0]


def test_a_long_absence_parts_two_stays_and_gravid_birds_are_not_weighed() -> None:
    dates = pd.to_datetime(["2031-07-01", "2031-07-03", "2031-08-20", "2031-08-22"])
    captures = _captures(dates, ["TEST-00001"] * 4, mass_g=[3.0, 3.1, 3.2, 3.3],
                         gravid=pd.array([False, False, False, True], dtype="boolean"))  # fmt: skip
    table = weighings(captures, _stated(captures, SPECIES))
    assert table["mass_g"].tolist() == [3.0, 3.1, 3.2]
    assert table["bird"].nunique() == 2


def test_deposition_is_told_by_both_ways_or_refused() -> None:
    captures = _captures(pd.to_datetime(["2031-07-01"]), ["TEST-00001"], mass_g=3.0)
    lean = xr.Dataset(
        {"log_lean_mass": (("draw", "group"), np.log([[3.0], [3.0]])),
         "hour_effect": ("draw", [0.004, 0.006])},
        coords={"group": [SPECIES]},
    )  # fmt: skip
    answers = Estimates()
    assert assess_deposition(captures, _stated(captures, SPECIES), lean, answers, seed=1) == {}
    table = answers.table().set_index("basis")
    assert "weighed again" in table.loc["refused", "note"]
    assert table.loc["measured", "estimate"] == pytest.approx(0.005 * 3.0 * 13)
    assert "biased" in table.loc["measured", "note"]


def test_readiness_counts_last_captures_of_passage_birds_alone() -> None:
    dates = pd.date_range("2031-08-01", periods=7)
    captures = _captures(dates, [f"TEST-{number:05d}" for number in [1, 1, 2, 3, 4, 5, 6]])
    reach = np.array([[0.0, 500, 500, 500, 100, 100, 100]] * 3)
    hand = xr.Dataset({"potential_range_km": (("draw", "bird"), reach)},
                      coords={"bird": captures.index})  # fmt: skip
    answers = Estimates()
    assess_readiness(
        captures, _stated(captures, "passage"), _stated(captures, SPECIES),
        _stated(captures, "2031"), hand, {"fork": 350.0}, answers,
    )  # fmt: skip
    row = answers.table().iloc[0]
    assert (row["estimate"], row["birds"], row["definition"]) == (0.5, 6, AT_CAPTURE)


def test_the_next_stop_is_the_declared_one_or_the_next_site_south() -> None:
    sites = pd.DataFrame({"site": ["fork", "ridge", "mesa"], "latitude": [33.0, 34.0, 36.0],
                          "longitude": -109.0})  # fmt: skip
    assert next_stop_km(sites, 350.0) == dict.fromkeys(["fork", "ridge", "mesa"], 350.0)
    # a degree of latitude is 110.6 to 111.7 km on WGS84 (common practice)
    reach = next_stop_km(sites, None)
    assert sorted(reach) == ["mesa", "ridge"]
    assert reach["ridge"] == pytest.approx(111, abs=1)


@pytest.fixture(scope="module")
def mixed() -> tuple[pd.DataFrame, "np.ndarray[tuple[int], np.dtype[np.bool_]]", Estimates, object]:
    """A species of locals with signs of breeding in early summer, and of later fat passage."""
    rng = np.random.default_rng(8)
    local = rng.random(240) < 0.5
    day = np.where(local, rng.uniform(150, 230, 240), rng.normal(235, 8, 240)).astype(int)
    dates = pd.DatetimeIndex([pd.Timestamp(2031, 1, 1) + pd.Timedelta(days=int(d)) for d in day])
    fuel = np.where(local, rng.normal(0.05, 0.05, 240), rng.normal(0.25, 0.1, 240))
    breeding = np.where(local & (rng.random(240) < 0.3), "brood patch", None)
    captures = _captures(dates, [f"TEST-{number:05d}" for number in range(240)], breeding=breeding)
    hand = xr.Dataset({"fuel_load": (("draw", "bird"), np.tile(fuel, (200, 1)))},
                      coords={"bird": captures.index})  # fmt: skip
    study = SimpleNamespace(captures=captures, options=SimpleNamespace(species={}))
    answers = Estimates()
    group = pd.Series(f"{SPECIES} adult", index=captures.index)
    season = pd.Series("2031", index=captures.index)
    return captures, local, answers, assess_roles(study, group, season, hand, answers, seed=1)


def test_birds_of_a_mixed_species_get_a_probability_and_draws(mixed) -> None:
    captures, local, _, roles = mixed
    p_local = roles.birds["p_local"].to_numpy()
    assert ((p_local - local) ** 2).mean() < 0.12
    assert (roles.birds["p_local_low"] <= p_local + 1e-9).all()
    assert roles.draws["fuel_load"].shape[1] == len(captures)
    assert set(np.unique(roles.draws["fuel_load"])) == {0.0, 1.0}


def test_fuel_by_role_and_the_share_of_locals_hold_the_truth(mixed) -> None:
    _, local, answers, _ = mixed
    table = answers.table()
    share = table[(table["quantity"] == "share_local") & (table["site"] == "")].iloc[0]
    assert share["low"] - 0.05 < local.mean() < share["high"] + 0.05
    fuel = table[table["quantity"] == "fuel_load"].set_index("role")["estimate"]
    assert fuel["passage"] - fuel["local"] > 0.05


def test_too_few_birds_of_a_mixed_species_are_refused() -> None:
    dates = pd.date_range("2031-07-01", periods=4)
    captures = _captures(dates, [f"TEST-{number:05d}" for number in range(4)])
    study = SimpleNamespace(captures=captures, options=SimpleNamespace(species={}))
    answers = Estimates()
    group = pd.Series(SPECIES, index=captures.index)
    roles = assess_roles(study, group, group, None, answers, seed=1)
    assert roles.birds["p_local"].isna().all()
    assert "needs 30" in answers.table()["note"].iloc[0]
