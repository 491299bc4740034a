"""What the weather and monsoon commands compute, and the calendar they draw."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenology.errors import StudyError
from phenology.report.figures import draw_monsoon_calendar
from phenology.study.options import parse_options
from phenology.weather.commands import prepare_weather, study_monsoon
from phenology.weather.derived import derive_days, derive_seasons
from phenology.weather.source import weather_dates

DATES = pd.date_range("2019-01-01", "2020-12-31")


def options(source=None):
    declared = {"name": "Invented", "species": {"Selasphorus rufus": "passage"}}
    return parse_options(declared | ({"weather": {"source": source}} if source else {}))


def test_the_weather_command_tells_stations_files_and_coverage(fetcher, archive, site):
    seen = []
    tables = prepare_weather(
        options("meteostat"),
        site,
        DATES,
        cache_dir=fetcher.cache.root,
        source_url=archive.url,
        progress=lambda done, total, what: seen.append((done, total, what)),
    )
    assert tables.stations["rank"].tolist() == [0, 1, 2]
    assert {"distance_km", "height_difference_m", "completeness", "why"} <= set(tables.stations)
    assert set(tables.files["outcome"]) == {"fetched", "no data"}
    absent = tables.files[tables.files["outcome"] == "no data"]
    assert set(absent["year"]) == {2021}  # the hours after midnight UTC of the last local day
    shares = tables.coverage.set_index("variable")
    words = ["missing", "measured", "combined", "filled", "forecast"]
    assert shares[words].sum(axis=1).to_numpy() == pytest.approx(1.0)
    assert shares.loc["tmax_c", "measured"] > 0.99
    assert "CC BY 4.0" in tables.attribution
    assert seen[0][:2] == (0, len(tables.files))
    assert seen[-1][:2] == (len(tables.files), len(tables.files))
    again = prepare_weather(
        options("meteostat"), site, DATES, cache_dir=fetcher.cache.root, offline=True
    )
    assert set(again.files["outcome"]) == {"held", "no data"}
    pd.testing.assert_frame_equal(again.coverage, tables.coverage)


def test_a_study_with_a_sheet_needs_no_fetching(site):
    with pytest.raises(StudyError, match="a weather sheet needs no fetching"):
        prepare_weather(options(), site, DATES)


def test_no_weather_no_monsoon(site):
    with pytest.raises(StudyError, match="the monsoon cannot be told"):
        study_monsoon(options(), site, None, DATES)


def test_thirty_years_are_wanted_where_the_archive_is_the_source():
    first, last = pd.Timestamp("2028-07-01"), pd.Timestamp("2031-09-01")
    assert weather_dates(options("meteostat"), None, first, last)[0] == pd.Timestamp("2001-10-01")
    sheet = pd.DataFrame({"date": pd.to_datetime(["2010-05-01", "2032-02-01"])})
    own = weather_dates(options(), sheet, first, last)
    assert (own[0], own[-1]) == (pd.Timestamp("2009-10-01"), pd.Timestamp("2032-12-31"))


@pytest.fixture(scope="module")
def sheet(seasons):
    """Twelve seasons of one simulated site, as rows of a weather sheet."""
    parts = []
    for year in range(12):
        dates = pd.date_range(f"{2010 + year}-05-01", periods=seasons.rain_mm.shape[2])
        parts.append(
            pd.DataFrame(
                {
                    "site": "fork",
                    "date": dates,
                    "dewpoint_c": seasons.dewpoint_c[3, year],
                    "rain_mm": seasons.rain_mm[3, year],
                    "tmin_c": 12.0,
                    "tmax_c": 31.0,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


@pytest.fixture(scope="module")
def found(sheet):
    site = pd.DataFrame({"site": ["fork"], "latitude": [32.0], "longitude": [-110.0]})
    dates = weather_dates(options(), sheet, sheet["date"].min(), sheet["date"].max())
    return study_monsoon(options(), site, sheet, dates), site


def test_the_monsoon_command_gives_a_row_a_year(found):
    (monsoon, weather), _ = found
    assert monsoon.years["season"].tolist() == list(range(2010, 2022))
    assert monsoon.years["agreement"].str.len().min() > 5
    assert weather.sizes["date"] > 12 * 365


def test_the_calendar_draws_every_year_and_every_turn(found):
    (monsoon, weather), _ = found
    spec = draw_monsoon_calendar(weather, monsoon, "fork").to_dict()
    cells, marks = spec["datasets"]["cells"], spec["datasets"]["marks"]
    assert {row["season"] for row in cells} == set(range(2010, 2022))
    threshold = monsoon.thresholds["threshold_c"].iloc[0]
    moist = [row for row in cells if row["air"] == "moist air"]
    assert len(moist) == int((weather["dewpoint_c"] >= threshold).sum())
    turns = monsoon.turns
    onsets = turns[turns["definition"] == "run of moist days"]["onset_day"].dropna()
    drawn = [row["day"] for row in marks if row["turn"] == "onset, moist days"]
    assert drawn == onsets.tolist()


def test_the_calendar_renders(found):
    vl_convert = pytest.importorskip("vl_convert")
    (monsoon, weather), _ = found
    picture = vl_convert.vegalite_to_svg(draw_monsoon_calendar(weather, monsoon, "fork").to_json())
    assert picture.startswith("<svg")
    assert "onset, moist days" in picture
    assert "2021" in picture


def test_derived_quantities_of_a_study(found):
    (_, weather), site = found
    days = derive_days(weather, site, heat_c=30.0)
    assert set(days) == {
        "vapour_pressure_deficit_kpa",
        "degree_days",
        "day_length_h",
        "rain_7d_mm",
        "rain_30d_mm",
        "rain_90d_mm",
        "hours_above_heat",
    }
    july = days.sel(date="2015-07-20", site="fork")
    assert float(july["degree_days"]) == pytest.approx(21.5 - 10.0)
    assert 0 < float(july["hours_above_heat"]) < 6
    week = weather["rain_mm"].sel(site="fork", date=slice("2015-07-13", "2015-07-19")).sum()
    assert float(july["rain_7d_mm"]) == pytest.approx(float(week), abs=1e-4)
    assert "hours_above_heat" not in derive_days(weather, site)
    seasons = derive_seasons(weather)
    assert seasons["spi"].notnull().sum() == 12
    assert seasons["winter_precipitation_mm"].isnull().all()
    assert all("units" in variable.attrs for variable in days.data_vars.values())


def test_a_rain_sum_over_missing_days_is_missing():
    dates = pd.date_range("2020-06-15", "2020-09-30")
    rain = np.ones((1, len(dates)))
    rain[0, :20] = np.nan
    weather = xr.Dataset(
        dict.fromkeys(("rain_mm", "tmin_c"), (("site", "date"), rain)),
        coords={"site": ["fork"], "date": dates},
    )
    assert np.isnan(float(derive_seasons(weather)["season_rain_mm"][0, 0]))
