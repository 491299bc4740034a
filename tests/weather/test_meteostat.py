"""From raw bulk files to daily weather at a site."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phenology.errors import StudyError
from phenology.study.options import parse_options
from phenology.weather import daily_weather
from phenology.weather.air import dewpoint_c
from phenology.weather.bulk import DamagedFileError, library, read_year
from phenology.weather.combine import combine_by_distance, fill_from_neighbours
from phenology.weather.dataset import COMBINED, FILLED, MEASURED, MISSING, provenance
from phenology.weather.localdays import days_from_hours
from phenology.weather.meteostat_source import MeteostatWeather
from phenology.weather.stations import StationList, consider_stations

DATES = pd.date_range("2020-01-01", "2020-12-31")
ZONE = "America/Phoenix"


def read(root, kind, station="TEST1", year=2020):
    return pd.read_csv(root / f"{kind}/{year}/{station}.csv.gz")


def write(root, kind, table, station="TEST1", year=2020):
    table.to_csv(root / f"{kind}/{year}/{station}.csv.gz", index=False, compression="gzip")


def station(root, name="TEST1"):
    return StationList.read(root / "stations.db").station(name)


def fetched(fetcher, site, dates=DATES, **options):
    weather = MeteostatWeather(fetcher, **options)
    weather.fetch(site, dates)
    return weather.daily(site, dates)


def test_every_value_says_where_it_came_from(fetcher, site):
    weather = fetched(fetcher, site)
    origin = provenance(weather, "dewpoint_c").sel(site="fork")
    inside = origin.isel(date=slice(0, 360))
    assert set(inside.station.values) == {"TEST1"}
    assert set(inside.status.values) == {"measured"}
    assert float(inside.height_difference_m[0]) == -150.0
    assert 5 < float(inside.distance_km[0]) < 10
    assert "NOAA" in weather.attrs["attribution"]
    assert "CC BY 4.0" in weather.attrs["attribution"]


def test_temperature_and_dew_point_are_adjusted_for_height(fetcher, site):
    level = fetched(fetcher, site.assign(elevation_m=1450.0))
    high = MeteostatWeather(fetcher).daily(site.assign(elevation_m=1600.0), DATES)
    warmer = level["tmax_c"] - high["tmax_c"]
    moister = level["dewpoint_c"] - high["dewpoint_c"]
    assert warmer.isel(date=slice(5, 350)).values == pytest.approx(0.15 * 6.5, abs=1e-4)
    assert moister.isel(date=slice(5, 350)).values == pytest.approx(0.15 * 1.8, abs=1e-4)
    assert (level["rain_mm"] == high["rain_mm"]).all()


def test_a_local_day_takes_its_hours_across_the_year_boundary(fetcher, archive, site):
    dates = pd.date_range("2019-12-30", "2020-01-02")
    flat = site.assign(elevation_m=1450.0)
    weather = fetched(fetcher, flat, dates).sel(site="fork")
    hours = pd.concat([read(archive.root, "hourly", year=year) for year in (2019, 2020)])
    time = pd.to_datetime(hours[["year", "month", "day", "hour"]])
    in_day = (time >= "2019-12-31 07:00") & (time < "2020-01-01 07:00")
    assert in_day.sum() == 24
    expected = dewpoint_c(hours["temp"][in_day], hours["rhum"][in_day].astype(float)).mean()
    assert float(weather["dewpoint_c"].sel(date="2019-12-31")) == pytest.approx(expected, abs=1e-4)


def test_daily_values_from_hours_equal_those_of_the_library(archive, monkeypatch):
    hours = read_year(
        archive.root / "hourly/2020/TEST1.csv.gz", "hourly", station(archive.root), 2020
    )
    ours = days_from_hours(hours.values, ZONE)
    meteostat = library()
    from meteostat.providers.meteostat import hourly

    monkeypatch.setattr(hourly, "ENDPOINT", str(archive.root / "hourly/{year}/{station}.csv.gz"))
    theirs = meteostat.daily(
        station(archive.root),
        pd.Timestamp("2020-01-02").to_pydatetime(),
        pd.Timestamp("2020-12-30").to_pydatetime(),
        providers=[meteostat.Provider.DAILY_DERIVED],
        parameters=[meteostat.Parameter(name) for name in ("temp", "tmin", "tmax", "prcp", "wspd")],
    ).fetch()
    inside = theirs.index[2:-2]
    for name, variable in [
        ("temp", "tmean_c"),
        ("tmin", "tmin_c"),
        ("tmax", "tmax_c"),
        ("prcp", "rain_mm"),
        ("wspd", "wind_kmh"),
    ]:
        expected = theirs.loc[inside, name].to_numpy(dtype=float)
        assert ours.loc[inside, variable].to_numpy() == pytest.approx(expected, abs=0.0501)


def test_means_with_missing_hours_equal_those_of_the_library():
    from meteostat.providers.meteostat.daily_derived import daily_mean

    rng = np.random.default_rng(5)
    time = pd.date_range("2020-03-01", periods=24 * 200, freq="h")
    temp = pd.Series(rng.normal(10, 5, len(time)), index=time)
    temp[rng.random(len(time)) < 0.12] = np.nan
    hours = pd.DataFrame({"temp": temp, "rhum": 50.0, "prcp": 0.0, "snwd": 0.0, "wspd": 1.0})
    ours = days_from_hours(hours, "Etc/GMT")
    theirs = temp.groupby(time.normalize()).agg(daily_mean)
    assert ours["tmean_c"].isna().sum() == theirs.isna().sum() > 5
    assert ours["tmean_c"].to_numpy() == pytest.approx(theirs.to_numpy(), nan_ok=True)


@settings(max_examples=25, deadline=None)
@given(st.sampled_from([ZONE, "America/Denver", "Pacific/Auckland", "Asia/Kolkata"]))
def test_a_full_record_gives_the_mean_of_each_local_day(zone):
    time = pd.date_range("2020-02-20", periods=24 * 60, freq="h")
    hours = pd.DataFrame({"temp": np.arange(len(time)) * 0.01}, index=time)
    hours = hours.assign(rhum=50.0, prcp=1.0, snwd=0.0, wspd=1.0)
    ours = days_from_hours(hours, zone).iloc[1:-1]
    local = time.tz_localize("UTC").tz_convert(zone).tz_localize(None).normalize()
    plain = hours["temp"].groupby(local).mean().iloc[1:-1]
    assert ours["tmean_c"].to_numpy() == pytest.approx(plain.to_numpy())
    assert ours["rain_mm"].to_numpy() == pytest.approx(
        hours["prcp"].groupby(local).sum().iloc[1:-1].to_numpy()
    )


def test_combination_equals_the_librarys_interpolation_over_a_year(
    fetcher, archive, site, monkeypatch
):
    ours = fetched(fetcher, site, combine=True).sel(site="fork")
    meteostat = library()
    from meteostat.providers.meteostat import daily

    monkeypatch.setattr(daily, "ENDPOINT", str(archive.root / "daily/{year}/{station}.csv.gz"))
    series = meteostat.daily(
        [station(archive.root, name) for name in ("TEST1", "TEST2", "TEST3")],
        DATES[0].to_pydatetime(),
        DATES[-1].to_pydatetime(),
        parameters=[meteostat.Parameter(name) for name in ("temp", "tmin", "tmax")],
    )
    theirs = meteostat.interpolate(series, meteostat.Point(32.15, -110.45, 1600)).fetch()
    for name, variable in [("temp", "tmean_c"), ("tmin", "tmin_c"), ("tmax", "tmax_c")]:
        expected = theirs[name].to_numpy(dtype=float)
        assert len(expected) == len(DATES)
        assert np.abs(ours[variable].values - expected).max() <= 0.1
    assert set(np.unique(ours["tmin_c_status"])) == {COMBINED}
    assert COMBINED not in np.unique(ours["rain_mm_status"])


def test_rain_is_averaged_only_when_asked_for(fetcher, site):
    single = fetched(fetcher, site, combine=True)
    averaged = MeteostatWeather(fetcher, combine=True, combine_rain=True).daily(site, DATES)
    assert (averaged["rain_mm_status"] == COMBINED).all()
    assert float((averaged["rain_mm"] > 0).sum()) >= float((single["rain_mm"] > 0).sum())
    assert not np.allclose(averaged["rain_mm"], single["rain_mm"])


def outage(archive, first, last):
    for kind in ("hourly", "daily"):
        table = read(archive.root, kind)
        day = pd.to_datetime(table[["year", "month", "day"]])
        write(archive.root, kind, table[~day.between(first, last)])


def test_a_short_outage_is_filled_from_a_neighbour_and_marked(fetcher, archive, site):
    whole = fetched(fetcher, site).sel(site="fork")
    outage(archive, "2020-06-05", "2020-06-14")
    for path in (fetcher.cache.root / "raw").rglob("TEST1*"):
        path.unlink()
    weather = fetched(fetcher, site).sel(site="fork")
    gap = slice("2020-06-06", "2020-06-13")
    assert set(weather["tmax_c_status"].sel(date=gap).values) == {FILLED}
    origin = provenance(weather.expand_dims("site"), "tmax_c").station.sel(date=gap)
    assert set(origin.values.ravel()) <= {"TEST2", "TEST3"}
    error = (weather["tmax_c"] - whole["tmax_c"]).sel(date=gap)
    assert float(np.abs(error).max()) < 2.0
    before = weather["tmax_c_status"].sel(date="2020-05-20")
    assert int(before) == MEASURED


def test_a_long_outage_stays_missing(fetcher, archive, site):
    outage(archive, "2020-06-01", "2020-07-15")
    weather = fetched(fetcher, site).sel(site="fork")
    gap = weather.sel(date=slice("2020-06-02", "2020-07-14"))
    assert gap["tmax_c"].isnull().all()
    assert set(np.unique(gap["tmax_c_status"])) == {MISSING}


def test_a_repeated_row_costs_nothing_but_a_note(archive):
    table = read(archive.root, "hourly")
    write(archive.root, "hourly", pd.concat([table, table.iloc[[1000, 1001]]]))
    year = read_year(
        archive.root / "hourly/2020/TEST1.csv.gz", "hourly", station(archive.root), 2020
    )
    assert len(year.values) == len(table)
    assert year.values["temp"].to_numpy() == pytest.approx(table["temp"].to_numpy())
    assert year.notes == ["2 repeated times dropped, the first of each kept"]


def test_values_without_a_provider_are_set_aside_and_told(archive):
    write(archive.root, "hourly", read(archive.root, "hourly").drop(columns="temp_source"))
    year = read_year(
        archive.root / "hourly/2020/TEST1.csv.gz", "hourly", station(archive.root), 2020
    )
    assert year.values["temp"].isna().all()
    assert year.values["rhum"].notna().all()
    assert year.notes == ["8784 values of temp set aside: no provider is named"]


def test_a_table_without_any_provider_is_told_as_well(archive):
    table = read(archive.root, "daily")
    write(archive.root, "daily", table.drop(columns=[c for c in table if c.endswith("_source")]))
    year = read_year(archive.root / "daily/2020/TEST1.csv.gz", "daily", station(archive.root), 2020)
    assert year.values.empty
    assert len(year.notes) == 4


def test_absent_columns_are_missing_values(archive):
    table = read(archive.root, "hourly").drop(
        columns=["prcp", "prcp_source", "wspd", "wspd_source"]
    )
    write(archive.root, "hourly", table)
    year = read_year(
        archive.root / "hourly/2020/TEST1.csv.gz", "hourly", station(archive.root), 2020
    )
    assert year.values["prcp"].isna().all()
    assert year.values["temp"].notna().all()
    assert year.notes == []


@pytest.mark.parametrize("source", ["dwd_mosmix", "isd_lite dwd_mosmix", "somebody_new"])
def test_forecasts_and_unknown_providers_are_refused_unless_asked_for(archive, source):
    table = read(archive.root, "hourly")
    table.loc[100:199, "temp_source"] = source
    write(archive.root, "hourly", table)
    path = archive.root / "hourly/2020/TEST1.csv.gz"
    year = read_year(path, "hourly", station(archive.root), 2020)
    assert year.values["temp"].iloc[100:200].isna().all()
    assert year.values["temp"].notna().sum() == len(table) - 100
    assert "100 values of temp set aside" in year.notes[0]
    asked = read_year(path, "hourly", station(archive.root), 2020, allow_forecast=True)
    known = source != "somebody_new"
    assert asked.values["temp"].iloc[100:200].notna().all() == known
    assert asked.forecast["temp"].sum() == (100 if known else 0)


def test_forecasts_asked_for_are_marked_in_the_days(fetcher, archive, site):
    table = read(archive.root, "daily")
    table.loc[200:209, "tmax_source"] = "dwd_mosmix"
    write(archive.root, "daily", table)
    weather = fetched(fetcher, site, allow_forecast=True).sel(site="fork")
    origin = provenance(weather.expand_dims("site"), "tmax_c").status.values[0]
    assert (origin == "forecast").sum() == 10


def test_a_file_that_is_no_table_is_damaged(archive):
    path = archive.root / "hourly/2020/TEST1.csv.gz"
    pd.DataFrame({"a": [1]}).to_csv(path, index=False, compression="gzip")
    with pytest.raises(DamagedFileError, match="no hourly table"):
        read_year(path, "hourly", station(archive.root), 2020)


def test_a_day_that_no_calendar_has_is_damaged(archive):
    table = read(archive.root, "daily").astype({"day": object})
    table.loc[3, "day"] = 10**30
    write(archive.root, "daily", table)
    path = archive.root / "daily/2020/TEST1.csv.gz"
    with pytest.raises(DamagedFileError, match="no daily table"):
        read_year(path, "daily", station(archive.root), 2020)


def test_an_empty_table_is_no_data(archive):
    table = read(archive.root, "hourly")
    write(archive.root, "hourly", table.iloc[:0])
    year = read_year(
        archive.root / "hourly/2020/TEST1.csv.gz", "hourly", station(archive.root), 2020
    )
    assert year.values.empty


def test_stations_are_weighed_and_the_choice_explained(archive, site):
    considered = consider_stations(site, StationList.read(archive.root / "stations.db"), 2019, 2020)
    assert considered["station"].tolist()[0] == "TEST1"
    assert considered["name"].tolist()[0] == "Invented Ridge"
    assert considered["rank"].tolist() == [0, 1, 2]
    assert considered["share_of_years"].tolist() == [1.0, 1.0, 1.0]
    assert considered["why"].str.len().min() > 10
    early = consider_stations(site, StationList.read(archive.root / "stations.db"), 2000, 2010)
    assert (early["rank"] == -1).all()
    assert set(early["why"]) == {"has none of the years"}


def test_a_site_out_of_reach_gets_an_answer_and_no_weather(fetcher, site):
    far = pd.concat([site, site.assign(site="islet", latitude=10.0)], ignore_index=True)
    weather = fetched(fetcher, far)
    assert "islet: no weather station within 75 km" in weather.attrs["notes"]
    assert weather["tmax_c"].sel(site="islet").isnull().all()
    assert weather["tmax_c"].sel(site="fork").notnull().any()


def test_a_site_without_coordinates_is_refused_in_words(fetcher, site):
    with pytest.raises(StudyError, match="latitude and longitude"):
        MeteostatWeather(fetcher).consider(site.assign(latitude=np.nan), DATES)


def test_a_site_in_an_unknown_time_zone_is_refused_in_words(fetcher, site):
    with pytest.raises(StudyError, match="America/Denver"):
        MeteostatWeather(fetcher).fetch(site.assign(timezone="Mountain"), DATES)


def test_a_study_reads_what_was_fetched(fetcher, site):
    MeteostatWeather(fetcher).fetch(site, DATES)
    declared = {
        "name": "Invented",
        "species": {"Selasphorus rufus": "passage"},
        "weather": {"source": "meteostat"},
    }
    weather = daily_weather(
        parse_options(declared), site, None, DATES, cache_dir=fetcher.cache.root
    )
    assert weather["dewpoint_c"].notnull().mean() > 0.98


def test_a_variable_comes_from_the_best_station_that_measures_it(fetcher, archive, site):
    for year in (2019, 2020):
        table = read(archive.root, "hourly", year=year)
        write(archive.root, "hourly", table.drop(columns=["rhum", "rhum_source"]), year=year)
    weather = fetched(fetcher, site)
    day = {"site": "fork", "date": "2020-05-05"}
    assert provenance(weather, "dewpoint_c").station.sel(**day) == "TEST2"
    assert provenance(weather, "dewpoint_c").status.sel(**day) == "measured"
    assert provenance(weather, "tmax_c").station.sel(**day) == "TEST1"


def test_the_dew_point_of_a_high_site_is_held_to_its_temperature(fetcher, site):
    weather = fetched(fetcher, site.assign(elevation_m=5000.0)).sel(site="fork")
    both = weather["dewpoint_c"].notnull() & weather["tmean_c"].notnull()
    assert (weather["dewpoint_c"] <= weather["tmean_c"]).where(both, True).all()
    assert (weather["dewpoint_c"] == weather["tmean_c"]).any()


def test_stale_and_never_fetched_files_are_told(fetcher, site, archive):
    source = MeteostatWeather(fetcher)
    source.fetch(site, DATES)
    key = "daily/2020/TEST1.csv.gz"
    fetcher.cache.mark_stale(fetcher.cache.held(key), "the server answered 500")
    for path in (fetcher.cache.root / "raw" / "hourly" / "2020").glob("TEST3*"):
        path.unlink()
    notes = MeteostatWeather.from_cache(fetcher.cache.root).daily(site, DATES).attrs["notes"]
    assert f"{key} is an old copy" in notes
    assert "the server answered 500" in notes
    assert "1 of 9 files were never fetched" in notes


@given(
    st.lists(st.lists(st.floats(-30, 45), min_size=3, max_size=3), min_size=1, max_size=5),
    st.lists(st.floats(0.1, 80), min_size=5, max_size=5),
)
def test_a_combination_lies_between_its_stations(values, distances):
    table, far = np.array(values), np.array(distances[: len(values)])
    mean = combine_by_distance(table, far)
    assert (mean >= table.min(axis=0) - 1e-9).all()
    assert (mean <= table.max(axis=0) + 1e-9).all()
    same = combine_by_distance(table, far * 3.0)
    assert same == pytest.approx(mean)


@given(st.integers(1, 60), st.integers(1, 40))
def test_no_gap_longer_than_allowed_is_filled(gap, longest):
    rng = np.random.default_rng(gap)
    neighbour = rng.normal(10, 5, 400)
    target = 2.0 + 0.9 * neighbour
    target[200 : 200 + gap] = np.nan
    filled, origin, fills = fill_from_neighbours(
        target, neighbour[None, :], is_rain=False, longest_gap_days=longest
    )
    if gap > longest:
        assert np.isnan(filled[200 : 200 + gap]).all()
        assert (origin == -1).all()
        assert fills == []
    else:
        assert filled == pytest.approx(2.0 + 0.9 * neighbour)
        assert (origin >= 0).sum() == gap == fills[0].days
        assert fills[0].r2 == pytest.approx(1.0)


def test_an_unrelated_neighbour_fills_nothing():
    rng = np.random.default_rng(9)
    target, neighbour = rng.normal(0, 1, 400), rng.normal(0, 1, 400)
    target[50:60] = np.nan
    filled, _, fills = fill_from_neighbours(target, neighbour[None, :], is_rain=False)
    assert np.isnan(filled[50:60]).all()
    assert fills == []
