"""Fetching raw files from a server that behaves, and from one that does not."""

import dataclasses
import json
import socket
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from phenology.weather.cache import RawCache
from phenology.weather.fetch import FetchError, NotFetchedError
from phenology.weather.meteostat_source import MeteostatWeather

KEY = "hourly/2020/TEST1.csv.gz"
DAY = timedelta(days=1)
DATES = pd.date_range("2020-05-01", "2020-10-15")


def later(fetcher, days):
    """The same fetcher, days afterwards."""
    cache = RawCache(fetcher.cache.root, now=lambda: datetime.now(UTC) + timedelta(days=days))
    return dataclasses.replace(fetcher, cache=cache)


def test_a_file_comes_with_its_address_time_and_hash(fetcher, archive):
    record = fetcher.fetch(KEY, DAY)
    assert fetcher.cache.content(record) == (archive.root / KEY).read_bytes()
    side = json.loads((fetcher.cache.root / "raw" / f"{KEY}.json").read_text())
    assert side["url"] == f"{archive.url}/{KEY}"
    assert len(side["sha256"]) == 64
    assert datetime.fromisoformat(side["fetched"]).tzinfo is not None
    assert not list(fetcher.cache.root.rglob(".part-*"))


def test_a_fresh_file_is_not_asked_for_again(fetcher, archive):
    fetcher.fetch(KEY, DAY)
    fetcher.fetch(KEY, DAY)
    assert archive.asked == [KEY]
    later(fetcher, 2).fetch(KEY, DAY)
    assert archive.asked == [KEY, KEY]


def test_a_missing_file_is_no_data_and_no_error(fetcher, archive):
    record = fetcher.fetch("hourly/2020/NONE1.csv.gz", DAY)
    assert record.is_absent
    assert len(archive.asked) == 1
    again = dataclasses.replace(fetcher, offline=True)
    assert again.fetch("hourly/2020/NONE1.csv.gz", DAY).is_absent


@pytest.mark.parametrize(
    ("mode", "tries", "said"),
    [
        ("429", 3, "too many requests"),
        ("500", 3, "the server answered 500"),
        ("403", 1, "the server answered 403"),
        ("stall", 3, "silent for 0.3 s"),
        ("cut", 3, "cut short"),
        ("cut without length", 3, "cut short or damaged"),
        ("html", 3, "a web page"),
        ("gzipped html", 3, "a web page"),
    ],
)
def test_a_failed_fetch_is_an_error_that_says_why(fetcher, archive, mode, tries, said):
    archive.misbehave(KEY, mode)
    with pytest.raises(FetchError, match=said):
        fetcher.fetch(KEY, DAY)
    assert len(archive.asked) == tries
    assert fetcher.cache.held(KEY) is None


@pytest.mark.parametrize("mode", ["429", "500", "stall", "cut", "html"])
def test_a_passing_failure_is_overcome(fetcher, archive, waits, mode):
    archive.misbehave(KEY, mode, "fine")
    record = fetcher.fetch(KEY, DAY)
    assert not record.stale
    assert len(archive.asked) == 2
    assert waits == [7.0 if mode == "429" else 1.0]


@pytest.mark.parametrize("mode", ["404", "429", "500", "stall", "cut", "html"])
def test_a_failed_refresh_keeps_and_marks_the_old_copy(fetcher, archive, mode):
    first = fetcher.fetch(KEY, DAY)
    archive.misbehave(KEY, mode)
    record = later(fetcher, 5).fetch(KEY, DAY)
    assert record.stale
    assert record.sha256 == first.sha256
    assert fetcher.cache.content(record) == (archive.root / KEY).read_bytes()
    archive.misbehave(KEY, "fine")
    assert not fetcher.fetch(KEY, DAY).stale


def test_a_station_list_that_is_a_web_page_is_refused(fetcher, archive):
    archive.misbehave("stations.db", "html")
    with pytest.raises(FetchError, match="a web page, not a station list"):
        fetcher.fetch("stations.db", DAY)
    archive.misbehave("stations.db", "cut without length")
    with pytest.raises(FetchError, match="cut short"):
        fetcher.fetch("stations.db", DAY)


def test_a_copy_damaged_on_disk_is_fetched_anew(fetcher, archive):
    record = fetcher.fetch(KEY, DAY)
    fetcher.cache.path(KEY).write_bytes(b"damaged")
    assert fetcher.cache.content(record) is None
    fetcher.fetch(KEY, DAY)
    assert len(archive.asked) == 2


def test_a_server_that_is_not_there(fetcher, archive):
    archive.close()
    with pytest.raises(FetchError, match="could not be fetched"):
        fetcher.fetch(KEY, DAY)


def test_only_loopback_is_reached_and_offline_opens_no_socket(fetcher, archive, site, monkeypatch):
    reached = []
    connect = socket.socket.connect

    def noting(self, address):
        reached.append(address[0])
        return connect(self, address)

    monkeypatch.setattr(socket.socket, "connect", noting)
    MeteostatWeather(fetcher).fetch(site, DATES)
    online = MeteostatWeather(fetcher).daily(site, DATES)
    assert set(reached) == {"127.0.0.1"}
    asked = len(archive.asked)

    def refuse(*args, **kwargs):
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(socket, "socket", refuse)
    monkeypatch.setattr(socket, "create_connection", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    offline = MeteostatWeather.from_cache(fetcher.cache.root).daily(site, DATES)
    assert len(archive.asked) == asked
    assert offline.identical(online)


def test_offline_without_anything_fetched_says_what_to_do(tmp_path, site):
    with pytest.raises(NotFetchedError, match="site-support weather STUDY"):
        MeteostatWeather.from_cache(tmp_path / "empty").daily(site, DATES)


def test_a_stopped_fetch_goes_on_where_it_stopped(fetcher, archive, site):
    class Stopped(Exception):
        pass

    def stop_at_third(done, total, what):
        if done == 3:
            raise Stopped

    weather = MeteostatWeather(fetcher)
    with pytest.raises(Stopped):
        weather.fetch(site, DATES, stop_at_third)
    before = [key for key in archive.asked if key != "stations.db"]
    assert len(before) == 3
    seen = []
    report = weather.fetch(site, DATES, lambda done, total, what: seen.append((done, total)))
    after = [key for key in archive.asked if key != "stations.db"][3:]
    assert not set(before) & set(after)
    assert len(report) == len(set(before) | set(after)) == seen[-1][0] == seen[-1][1]
    assert set(report["outcome"]) <= {"fetched", "held"}


def test_one_bad_file_does_not_stop_the_others(fetcher, archive, site):
    archive.misbehave(KEY, "500")
    report = MeteostatWeather(fetcher).fetch(site, DATES)
    failed = report[report["outcome"] == "failed"]
    assert failed[["station", "kind", "year"]].values.tolist() == [["TEST1", "hourly", 2020]]
    assert "500" in failed["why"].iloc[0]
    assert (report["outcome"] == "fetched").sum() == len(report) - 1


def test_a_source_that_is_down_stops_the_fetch(fetcher, archive, site):
    weather = MeteostatWeather(fetcher)
    weather.consider(site, DATES)
    archive.close()
    with pytest.raises(FetchError, match="what was fetched so far is kept"):
        weather.fetch(site, DATES)
