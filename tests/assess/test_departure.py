"""Fuel at departure: what is carried, gained and left to stay, and what is missing for it."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenology.assess.departure import AT_DEPARTURE, assess_departure
from phenology.estimates import Estimates
from phenology.models.stopover import StayDraws

SPECIES, GROUP = "Selasphorus rufus", "Selasphorus rufus adult female"
DRAWS, BIRDS = 200, 30


def _told(
    rates: dict, stays: dict, role: str = "passage", drawn=None, fuel: object = 0.2
) -> pd.DataFrame:
    captures = pd.DataFrame(
        {
            "date": pd.Timestamp("2031-08-01"),
            "time": 8.0,
            "site": "fork",
            "species": SPECIES,
            "band": [f"TEST-{number:05d}" for number in range(BIRDS)],
        }
    )
    hand = xr.Dataset(
        {
            "lean_mass_g": (("draw", "bird"), np.full((DRAWS, BIRDS), 3.0)),
            "fuel_load": (("draw", "bird"), np.full((DRAWS, BIRDS), fuel)),
        },
        coords={"bird": captures.index},
    )
    alike = {name: pd.Series(name, index=captures.index) for name in (role, GROUP, "2031")}
    answers = Estimates()
    assess_departure(
        captures, alike[role], drawn, alike[GROUP], alike["2031"], hand, rates, stays,
        {"fork": 350.0}, answers, seed=1,
    )  # fmt: skip
    return answers.table()


def _stay(shape: float) -> StayDraws:
    return StayDraws(np.full(DRAWS, 6.0), np.full(DRAWS, shape))


def test_fuel_at_departure_is_what_is_carried_and_gained_in_what_is_left_of_the_stay() -> None:
    """Stays that end by chance: 6 days are left at any capture, and .1 g of 3 g a day add .2."""
    told = _told({GROUP: np.full(DRAWS, 0.1)}, {SPECIES: _stay(1.0)}).set_index("quantity")
    assert (told["definition"] == AT_DEPARTURE).all()
    assert told.loc["fuel_load", "estimate"] == pytest.approx(0.2 + 0.1 / 3 * 6, abs=0.02)
    assert told.loc["share_ready", "site"] == "fork"
    steady = _told({GROUP: np.zeros(DRAWS)}, {SPECIES: _stay(1.0)}).set_index("quantity")
    assert steady.loc["fuel_load", "estimate"] == pytest.approx(0.2)
    for quantity in ("potential_range_km", "share_ready"):
        assert told.loc[quantity, "estimate"] > steady.loc[quantity, "estimate"]


def test_stays_of_one_length_leave_half_of_it_at_a_capture() -> None:
    told = _told({GROUP: np.full(DRAWS, 0.1)}, {SPECIES: _stay(40.0)}).set_index("quantity")
    assert told.loc["fuel_load", "estimate"] == pytest.approx(0.2 + 0.1 / 3 * 3, abs=0.02)


def test_birds_of_a_mixed_species_count_in_the_draws_in_which_they_pass() -> None:
    """Ten fat birds pass in every draw, ten lean ones in none; ten more are of no known role."""
    fuel = np.repeat([0.4, 0.0, 0.1], 10)
    drawn = np.tile(np.repeat([0.0, 1.0, np.nan], 10), (DRAWS, 1))
    rates, stays = {GROUP: np.zeros(DRAWS)}, {SPECIES: _stay(1.0)}
    told = _told(rates, stays, "mixed", drawn, fuel)
    fuel_of = told[told["quantity"] == "fuel_load"].set_index("role")
    assert fuel_of.loc["passage", "estimate"] == pytest.approx(0.4)
    assert fuel_of.loc["passage", "birds"] == 10
    assert "drawn without fuel" in fuel_of.loc["passage", "note"]
    assert "the day on which each leaves" in fuel_of.loc["local", "note"]
    ready = told.set_index("quantity").loc["share_ready"]
    passing = _told(rates, stays, fuel=0.4).set_index("quantity").loc["share_ready"]
    assert ready["estimate"] == passing["estimate"]


def test_without_gain_or_stay_it_is_refused_and_of_local_birds_always() -> None:
    (row,) = _told({}, {SPECIES: _stay(1.0)}).to_dict("records")
    assert row["basis"] == "refused"
    assert "how fast its birds gain, which" in row["note"]
    (row,) = _told({}, {}).to_dict("records")
    assert "how fast its birds gain and how long they stay" in row["note"]
    (row,) = _told({}, {}, role="mixed").to_dict("records")[1:]
    assert "0 birds of the group have a lean mass and are told to pass" in row["note"]
    rates, stays = {GROUP: np.full(DRAWS, 0.1)}, {SPECIES: _stay(1.0)}
    (row,) = _told(rates, stays, role="local").to_dict("records")
    assert (row["basis"], row["role"]) == ("refused", "local")
    assert "the day on which each leaves" in row["note"]
