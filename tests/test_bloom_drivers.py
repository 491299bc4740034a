"""Drivers of bloom from daily weather: the winter before, snow, rain and warmth."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenology.bloom_drivers import find_drivers

SEASONS = np.array([2031, 2032, 2033])
SITES = np.array(["fork"])
DATES = pd.date_range("2030-10-01", "2033-12-31", unit="s")
SPRING = pd.DatetimeIndex([f"{year}-05-01" for year in SEASONS])


def weather(**of_season: tuple[float, float, float]) -> xr.Dataset:
    """Each variable constant within the winter before, and in, each season."""
    season = DATES.year.to_numpy() + (DATES.month.to_numpy() >= 10) - SEASONS[0]
    values = {
        name: (("site", "date"), np.take([*levels, levels[-1]], season)[None, :].astype(float))
        for name, levels in of_season.items()
    }
    return xr.Dataset(values, coords={"site": SITES, "date": DATES})


@pytest.mark.parametrize(
    ("variable", "driver"), [("snow_cm", "snow"), ("rain_mm", "winter_precipitation")]
)
def test_a_winter_of_much_snow_or_rain_stands_high_in_spring(variable, driver):
    found = find_drivers(
        weather(**{variable: (1.0, 3.0, 9.0)}), SITES, SPRING, SEASONS, np.array([170.0])
    )
    spring = found.scaling[0, :, found.names.index(driver)]
    assert (np.diff(spring) > 0).all()
    assert abs(spring.mean()) < 0.05


def test_the_winter_s_hold_fades_through_july():
    days = pd.DatetimeIndex(["2033-05-01", "2033-07-15", "2033-09-15"])
    found = find_drivers(weather(snow_cm=(1.0, 3.0, 9.0)), SITES, days, SEASONS, np.array([170.0]))
    may, july, september = found.scaling[0, :, found.names.index("snow")]
    assert july == pytest.approx(may / 2, rel=0.05)
    assert abs(september) < 0.02


def test_a_winter_without_readings_is_missing_and_the_others_stand():
    told = weather(snow_cm=(1.0, 3.0, 9.0))
    told["snow_cm"] = told["snow_cm"].where(told["date"] >= np.datetime64("2031-10-01"))
    found = find_drivers(told, SITES, SPRING, SEASONS, np.array([170.0]))
    snow = found.scaling[0, :, found.names.index("snow")]
    assert np.isnan(snow).tolist() == [True, False, False]


def test_south_of_the_equator_no_winter_lies_in_those_months():
    found = find_drivers(
        weather(snow_cm=(1.0, 3.0, 9.0)), SITES, SPRING, SEASONS, np.array([170.0]), winter=False
    )
    assert "snow" not in found.names
