"""Invented seasons with a known onset, and an invented archive served on loopback."""

import contextlib
import gzip
import http.server
import shutil
import sqlite3
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenology.weather.cache import RawCache
from phenology.weather.fetch import Fetcher

SITES, YEARS, DAYS = 25, 20, 168  # 1 May to 15 October


@dataclass(frozen=True)
class Seasons:
    """Seasons by site and year; `onset` is −1 where the monsoon failed."""

    dewpoint_c: np.ndarray  # (site, year, day), daily means of hourly dew points
    shortcut_c: np.ndarray  # the same from daily mean temperature and humidity
    rain_mm: np.ndarray  # (site, year, day)
    onset: np.ndarray  # (site, year)
    false_start: np.ndarray  # (site, year), bool


def simulate_seasons(seed: int) -> Seasons:
    """Draw 500 seasons: two levels of moisture, persistent noise, surges, breaks, failures.

    Moisture follows weather systems, not a threshold: a season turns on its onset day, the
    level rising over one to five days; a false start is a surge of three to six days that falls
    back; breaks of four to nine days lower the level by half; rain comes as clustered storms.
    """
    rng = np.random.default_rng(seed)
    shape = (SITES, YEARS)
    onset = np.clip(np.rint(rng.normal(64, 8, shape)), 40, 90).astype(int)
    failed = rng.random(shape) < 0.06
    false_start = ~failed & (rng.random(shape) < 0.25)
    end = np.rint(rng.normal(136, 7, shape)).astype(int)
    day = np.arange(DAYS)
    rise = rng.integers(1, 6, shape)[..., None]
    level = np.clip((day - onset[..., None] + 1) / rise, 0, 1)
    level *= np.clip((end[..., None] - day) / 4, 0, 1)
    for site, year in np.ndindex(shape):
        if false_start[site, year]:
            first = onset[site, year] - rng.integers(12, 26)
            level[site, year, first : first + rng.integers(3, 7)] = rng.uniform(0.8, 1.0)
        for _ in range(rng.poisson(1.2)):
            first = onset[site, year] + rng.integers(16, 60)
            level[site, year, first : first + rng.integers(4, 10)] *= 0.5
    level[failed] *= rng.uniform(0.0, 0.25, failed.sum())[:, None]
    dry, contrast = rng.normal(2, 2, SITES), rng.normal(12, 1.5, SITES)
    noise = np.zeros((*shape, DAYS))
    for today in range(1, DAYS):
        noise[..., today] = 0.6 * noise[..., today - 1] + rng.normal(0, 2.3, shape)
    dewpoint = dry[:, None, None] + contrast[:, None, None] * level + noise
    return Seasons(
        *_through_hourly_readings(rng, dewpoint, level),
        _storms(rng, level),
        np.where(failed, -1, onset),
        false_start,
    )


def _through_hourly_readings(rng, dewpoint, level):
    """Daily dew points as an observer of hourly temperature and whole-percent humidity has them."""
    hour = np.arange(24)
    wave = np.sin(2 * np.pi * (hour - 9) / 24)
    mean = 27 - 4 * level + rng.normal(0, 1.5, level.shape)
    temperature = mean[..., None] + (10 - 4 * level)[..., None] * wave
    vapour = np.minimum(dewpoint[..., None] - 1.0 * wave, temperature)
    a, b = 17.625, 243.04
    humidity = 100 * np.exp(a * vapour / (b + vapour) - a * temperature / (b + temperature))
    humidity = np.clip(np.rint(humidity), 1, 100)

    def inverted(t, rh):
        g = np.log(rh / 100) + a * t / (b + t)
        return b * g / (a - g)

    return inverted(temperature, humidity).mean(axis=-1), inverted(
        temperature.mean(axis=-1), humidity.mean(axis=-1)
    )


def _storms(rng, level):
    """Rain that comes with moisture, a wet day making the next one likelier."""
    rain = np.zeros_like(level)
    wet = np.zeros(level.shape[:2], bool)
    for today in range(level.shape[2]):
        chance = 0.03 + 0.34 * level[..., today] + 0.18 * wet * level[..., today]
        wet = rng.random(wet.shape) < chance
        rain[..., today] = wet * rng.gamma(0.8, 8.0, wet.shape)
    return rain


@pytest.fixture(scope="session")
def seasons() -> Seasons:
    return simulate_seasons(20310615)


# ---- a small archive in the real bulk layout, and a server for it ------------------------------

ZONE = "America/Phoenix"  # seven hours behind UTC all year
ARCHIVE_YEARS = (2019, 2020)
STATIONS = {  # invented: latitude, longitude, elevation [m]
    "TEST1": (32.10, -110.50, 1450),
    "TEST2": (32.30, -110.60, 1700),
    "TEST3": (32.05, -110.95, 800),
}
SITE = pd.DataFrame(
    {
        "site": ["fork"],
        "latitude": [32.15],
        "longitude": [-110.45],
        "elevation_m": [1600.0],
        "timezone": [ZONE],
    }
)


def write_table(path: Path, table: pd.DataFrame) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    table.to_csv(path, index=False, compression="gzip")


def station_hours(station: str, year: int) -> pd.DataFrame:
    """Invented hours of one station-year, without dew point, as the archive has them."""
    time = pd.date_range(f"{year}-01-01", f"{year}-12-31 23:00", freq="h")
    shared = np.random.default_rng(year)
    own = np.random.default_rng([year, int(station[-1])])
    local = time - pd.Timedelta(hours=7)
    day = local.day_of_year.to_numpy()
    weather = np.repeat(shared.normal(0, 3, 368), 24)[: len(time)]
    height = STATIONS[station][2]
    temp = 29 - 6.5 * height / 1000 + 9 * np.sin(2 * np.pi * (day - 110) / 365)
    temp = temp + 8 * np.sin(2 * np.pi * (local.hour.to_numpy() - 9) / 24) + weather
    temp = (temp + own.normal(0, 0.4, len(time))).round(1)
    moist = (day > 185) & (day < 260)
    rhum = np.clip(np.rint(np.where(moist, 60, 25) - 1.5 * (temp - temp.mean())), 3, 100)
    wet = moist & (shared.random(len(time)) < 0.03)
    amount = shared.gamma(0.8, 8.0, len(time)) * own.lognormal(0, 0.4, len(time))
    rain = np.where(wet, amount.round(1), 0.0)
    table = pd.DataFrame(
        {"year": time.year, "month": time.month, "day": time.day, "hour": time.hour}
    )
    for name, values in {
        "temp": temp,
        "rhum": rhum.astype(int),
        "prcp": rain,
        "wspd": own.gamma(2, 5, len(time)).round(1),
    }.items():
        table[name] = values
        table[f"{name}_source"] = "isd_lite"
    return table


def station_days_table(hours: pd.DataFrame) -> pd.DataFrame:
    """The daily file that belongs to a year of hours: observers' days, no wind, no snow."""
    day = ["year", "month", "day"]
    grouped = hours.groupby(day)
    table = pd.DataFrame(
        {
            "temp": grouped["temp"].mean().round(1),
            "tmin": grouped["temp"].min(),
            "tmax": grouped["temp"].max(),
            "prcp": grouped["prcp"].sum().round(1),
        }
    ).reset_index()
    for name in ("temp", "tmin", "tmax", "prcp"):
        table.insert(table.columns.get_loc(name) + 1, f"{name}_source", "ghcnd")
    return table


def write_station_list(path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path)) as database:
        database.executescript(
            "CREATE TABLE stations(id TEXT, country TEXT, region TEXT, latitude REAL,"
            " longitude REAL, elevation INT, timezone TEXT);"
            "CREATE TABLE names(station TEXT, language TEXT, name TEXT);"
            "CREATE TABLE identifiers(station TEXT, key TEXT, value TEXT);"
            "CREATE TABLE inventory(station TEXT, provider TEXT, parameter TEXT, start TEXT,"
            " end TEXT, completeness REAL);"
        )
        for station, place in STATIONS.items():
            database.execute(
                "INSERT INTO stations VALUES(?, 'US', 'AZ', ?, ?, ?, ?)", (station, *place, ZONE)
            )
            for parameter in ("temp", "rhum", "prcp"):
                database.execute(
                    "INSERT INTO inventory VALUES(?, 'hourly', ?, '2019-01-01', '2020-12-31', 99)",
                    (station, parameter),
                )
        database.execute("INSERT INTO names VALUES('TEST1', 'en', 'Invented Ridge')")
        database.commit()


@pytest.fixture(scope="session")
def pristine_archive(tmp_path_factory) -> Path:
    root = tmp_path_factory.mktemp("archive")
    write_station_list(root / "stations.db")
    for station in STATIONS:
        for year in ARCHIVE_YEARS:
            hours = station_hours(station, year)
            write_table(root / f"hourly/{year}/{station}.csv.gz", hours)
            write_table(root / f"daily/{year}/{station}.csv.gz", station_days_table(hours))
    return root


class Archive:
    """A folder in the bulk layout, served on loopback; `modes` says how each path misbehaves."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.modes: dict[str, list[str]] = {}
        self.asked: list[str] = []
        archive = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                archive._answer(self)

            def log_message(self, *args) -> None:
                pass

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.release = threading.Event()
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server.server_port}"

    def misbehave(self, key: str, *modes: str) -> None:
        """Answer the next requests for a key so; the last mode stays."""
        self.modes[key] = list(modes)

    def close(self) -> None:
        self.release.set()
        self.server.shutdown()
        self.server.server_close()

    def _answer(self, request) -> None:
        key = request.path.lstrip("/")
        self.asked.append(key)
        modes = self.modes.get(key, ["fine"])
        mode = modes.pop(0) if len(modes) > 1 else modes[0]
        path = self.root / key
        content = path.read_bytes() if path.is_file() else b""
        if mode.isdigit() or not content:
            request.send_response(int(mode) if mode.isdigit() else 404)
            if mode == "429":
                request.send_header("Retry-After", "7")
            request.end_headers()
        elif mode == "stall":
            request.send_response(200)
            request.send_header("Content-Length", str(len(content)))
            request.end_headers()
            request.wfile.write(content[:100])
            request.wfile.flush()
            self.release.wait(20)
        else:
            body = {
                "cut": content[: len(content) // 2],
                "cut without length": content[: len(content) // 2],
                "html": b"<!DOCTYPE html><html><body>Please log in</body></html>",
                "gzipped html": gzip.compress(b"<html>Please log in</html>"),
            }.get(mode, content)
            request.send_response(200)
            if mode != "cut without length":
                declared = len(content) if mode == "cut" else len(body)
                request.send_header("Content-Length", str(declared))
            request.end_headers()
            request.wfile.write(body)


@pytest.fixture
def archive(pristine_archive, tmp_path) -> Iterator[Archive]:
    shutil.copytree(pristine_archive, tmp_path / "archive")
    served = Archive(tmp_path / "archive")
    yield served
    served.close()


@pytest.fixture
def site() -> pd.DataFrame:
    return SITE.copy()


@pytest.fixture
def waits() -> list[float]:
    return []


@pytest.fixture
def fetcher(archive, tmp_path, waits) -> Fetcher:
    """A fetcher that does not really wait between its tries."""
    return Fetcher(
        RawCache(tmp_path / "cache"),
        archive.url,
        timeout_s=0.3,
        tries=3,
        sleep=waits.append,
    )
