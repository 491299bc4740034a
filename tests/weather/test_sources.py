"""Weather by one protocol: the study's own sheet, memory, and how a study chooses."""

import numpy as np
import pandas as pd
import pytest

from phenology.errors import StudyError
from phenology.study.options import parse_options
from phenology.weather import MemoryWeather, daily_weather
from phenology.weather.dataset import VARIABLES, provenance
from phenology.weather.sheet import SheetWeather

SITES = pd.DataFrame({"site": ["fork", "saddle"]})
DAYS = pd.date_range("2031-07-01", periods=4)


def options(**weather: str):
    declared = {"name": "Invented", "species": {"Selasphorus rufus": "passage"}}
    return parse_options(declared | ({"weather": weather} if weather else {}))


def sheet(**columns) -> pd.DataFrame:
    return pd.DataFrame(columns).assign(date=lambda rows: pd.to_datetime(rows["date"]))


def test_every_variable_is_there_even_when_the_sheet_has_one():
    rows = sheet(site=["fork"], date=["2031-07-02"], rain_mm=[3.5])
    weather = SheetWeather(rows).daily(SITES, DAYS)
    assert set(VARIABLES) <= set(weather.data_vars)
    assert weather.rain_mm.sel(site="fork").values.tolist()[1] == 3.5
    assert int(weather.rain_mm.notnull().sum()) == 1
    assert int(weather.tmin_c.notnull().sum()) == 0
    assert int((weather.rain_mm_status > 0).sum()) == 1


def test_days_from_hourly_readings():
    hours = np.arange(24)
    temperature = 10.0 + hours
    rows = sheet(
        site=["fork"] * 24,
        date=["2031-07-01"] * 24,
        time=hours.astype(float),
        tmean_c=temperature,
        rain_mm=[0.5] * 24,
    )
    weather = SheetWeather(rows).daily(SITES, DAYS).sel(site="fork").isel(date=0)
    assert float(weather.tmin_c) == 10.0
    assert float(weather.tmax_c) == 33.0
    assert float(weather.tmean_c) == pytest.approx(21.5)
    assert float(weather.rain_mm) == pytest.approx(12.0)


def test_a_day_with_half_its_readings_gives_no_sum_and_no_mean():
    full = pd.DataFrame({"date": np.repeat(DAYS[:3], 24), "time": np.tile(np.arange(24.0), 3)})
    half = pd.DataFrame({"date": DAYS[3], "time": np.arange(12.0)})
    rows = pd.concat([full, half]).assign(site="fork", tmean_c=15.0, rain_mm=1.0)
    weather = SheetWeather(rows).daily(SITES, DAYS).sel(site="fork")
    assert weather.rain_mm.values[:3].tolist() == [24.0, 24.0, 24.0]
    assert np.isnan(weather.rain_mm.values[3])
    assert np.isnan(weather.tmean_c.values[3])


def test_a_written_day_goes_before_its_readings():
    rows = sheet(
        site=["fork"] * 3,
        date=["2031-07-01"] * 3,
        time=[np.nan, 6.0, 18.0],
        tmean_c=[20.0, 5.0, 7.0],
    )
    weather = SheetWeather(rows).daily(SITES, DAYS).sel(site="fork").isel(date=0)
    assert float(weather.tmean_c) == 20.0
    assert float(weather.tmin_c) == 5.0


def test_the_only_station_serves_all_sites_and_is_named():
    rows = sheet(station=["ridge"] * 2, date=["2031-07-01", "2031-07-02"], rain_mm=[1.0, 2.0])
    weather = SheetWeather(rows).daily(SITES, DAYS)
    assert weather.rain_mm.values[:, :2].tolist() == [[1.0, 2.0], [1.0, 2.0]]
    assert provenance(weather, "rain_mm").station.values[1, 0] == "ridge"


def test_several_stations_without_a_site_are_refused_in_words():
    rows = sheet(station=["ridge", "valley"], date=["2031-07-01"] * 2, rain_mm=[1.0, 2.0])
    with pytest.raises(StudyError, match="Fill in `site`"):
        SheetWeather(rows).daily(SITES, DAYS)


def test_the_sheet_is_not_changed():
    rows = sheet(station=["fork"], date=["2031-07-01"], rain_mm=[1.0])
    before = rows.copy(deep=True)
    SheetWeather(rows).daily(SITES, DAYS)
    pd.testing.assert_frame_equal(rows, before)


def test_no_weather_is_a_legal_answer():
    assert daily_weather(options(), SITES, None, DAYS) is None
    assert daily_weather(options(), SITES, sheet(site=[], date=[]), DAYS) is None


def test_a_sheet_asked_for_and_absent_is_said():
    with pytest.raises(StudyError, match="no usable weather sheet"):
        daily_weather(options(source="sheet"), SITES, None, DAYS)


def test_memory_gives_what_it_holds_and_missing_elsewhere():
    rows = sheet(site=["fork"], date=["2031-07-02"], rain_mm=[3.5])
    held = MemoryWeather(SheetWeather(rows).daily(SITES, DAYS))
    later = held.daily(SITES, pd.date_range("2031-07-02", periods=6))
    assert float(later.rain_mm.sel(site="fork").isel(date=0)) == 3.5
    assert later.sizes["date"] == 6
    assert later.rain_mm_status.values[0].tolist() == [1, 0, 0, 0, 0, 0]
    assert later.rain_mm_station.dtype.kind == "i"


def test_weather_survives_netcdf(tmp_path):
    import xarray as xr

    rows = sheet(site=["fork"], date=["2031-07-02"], rain_mm=[3.5])
    weather = SheetWeather(rows).daily(SITES, DAYS)
    weather.to_netcdf(tmp_path / "weather.nc", engine="h5netcdf")
    with xr.open_dataset(tmp_path / "weather.nc", engine="h5netcdf") as read:
        assert read.rain_mm.values[0, 1] == 3.5
        assert provenance(read.load(), "rain_mm").status.values[0, 1] == "measured"
