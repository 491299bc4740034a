"""A station list that is damaged, and time zones that are none: words, or no harm."""

import logging
import sqlite3
from contextlib import closing

import pandas as pd
import pytest

from phenology.errors import StudyError
from phenology.weather.bulk import library
from phenology.weather.meteostat_source import MeteostatWeather
from phenology.weather.stations import StationList

DATES = pd.date_range("2020-01-01", "2020-12-31")


def damaged_list(archive, column, value):
    path = archive.root / "stations.db"
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(f"UPDATE stations SET {column} = ?", [value])
    return path


@pytest.mark.parametrize("value", ["north", b"\x00"])
def test_words_for_numbers_are_refused(archive, value):
    with pytest.raises(StudyError, match="station list cannot be read"):
        StationList.read(damaged_list(archive, "latitude", value))


def test_a_height_without_end_is_unknown(archive):
    known = StationList.read(damaged_list(archive, "elevation", float("inf")))
    assert known.station("TEST1").elevation is None


def test_a_station_in_no_time_zone_gives_days_by_longitude(archive, fetcher, site):
    damaged_list(archive, "timezone", "America/Nowhere")
    weather = MeteostatWeather(fetcher)
    unknown = site.assign(timezone=None)
    weather.fetch(unknown, DATES)
    notes = weather.daily(unknown, DATES).attrs["notes"]
    assert "days by longitude, Etc/GMT+7" in notes  # 110.45° W over 15° an hour


@pytest.mark.parametrize("zone", ["America", "../x", "x" * 999])  # a folder, a way out, too long
def test_no_time_zone_is_a_path(fetcher, site, zone):
    with pytest.raises(StudyError, match="is not known"):
        MeteostatWeather(fetcher).fetch(site.assign(timezone=zone), DATES)


def test_no_traceback_of_the_library_reaches_people():
    """Without a handler of its own, Python prints what it logs of an unreadable file."""
    library()
    assert logging.getLogger("meteostat").handlers
