"""Weather: combination against the meteostat library's, and a large study joined and derived."""

from __future__ import annotations

import gzip
import logging
import sqlite3
import tempfile
import time
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd

from phenology.bench.measure import Measured, measure_python

ZONE = "Etc/GMT+7"
FIRST, LAST = "1990-01-01", "2026-12-31"
STATIONS, SITES = 60, 500
PLACES = (
    (32.10, -110.50, 1450),
    (32.30, -110.60, 1700),
    (32.05, -110.95, 800),
    (32.4, -110.2, 1200),
)


def bench_weather(quick: bool) -> list[Measured]:
    """Combine one site's stations both ways; join and derive many sites from local files."""
    logging.getLogger("meteostat").setLevel(logging.CRITICAL)
    with tempfile.TemporaryDirectory(prefix="site-support-bench-") as folder:
        rows = _combination(Path(folder) / "archive", years=2 if quick else 37)
        rows += _large_study(Path(folder) / "cache", sites=50 if quick else SITES)
    return rows


def _combination(root: Path, years: int) -> list[Measured]:
    """One site, four stations, daily: the library's interpolation and ours on one series."""
    from phenology.weather.bulk import library
    from phenology.weather.combine import Lapse, combine_by_distance
    from phenology.weather.stations import distance_km, effective_distance_km

    meteostat = library()
    from meteostat.providers.meteostat import daily as reader

    dates = pd.date_range("1990-01-01", periods=years * 365)
    for number, _ in enumerate(PLACES):
        for year in np.unique(dates.year):
            _write_daily(root / f"daily/{year}/TEST{number}.csv.gz", year, number)
    stations = [
        meteostat.Station(
            id=f"TEST{number}",
            latitude=place[0],
            longitude=place[1],
            elevation=place[2],
            timezone=ZONE,
        )
        for number, place in enumerate(PLACES)
    ]
    reader.ENDPOINT = str(root / "daily/{year}/{station}.csv.gz")
    names = [meteostat.Parameter(name) for name in ("temp", "tmin", "tmax")]
    series = meteostat.daily(
        stations, dates[0].to_pydatetime(), dates[-1].to_pydatetime(), parameters=names
    )
    site = (32.15, -110.45, 1600)
    began = time.perf_counter()
    theirs = meteostat.interpolate(series, meteostat.Point(*site)).fetch()
    library_seconds = time.perf_counter() - began

    began = time.perf_counter()
    frame = series.fetch()
    latitude, longitude, height = (np.array(part, float) for part in zip(*PLACES, strict=True))
    far = effective_distance_km(
        distance_km(site[0], site[1], latitude, longitude), height - site[2]
    )
    ours = {}
    for name in ("temp", "tmin", "tmax"):
        table = frame[name].astype("Float64").unstack("station").reindex(dates)
        values = table.to_numpy(dtype=float, na_value=np.nan).T
        lapse = [Lapse().adjustment_c("tmean_c", difference) for difference in height - site[2]]
        ours[name] = combine_by_distance(values + np.array(lapse)[:, None], far)
    our_seconds = time.perf_counter() - began
    apart = max(
        float(np.nanmax(np.abs(ours[name] - theirs[name].reindex(dates).to_numpy(dtype=float))))
        for name in ours
    )
    return [
        Measured(
            f"combine 4 stations, {years} years daily (greatest difference {apart:.2f} degC)",
            our_seconds,
            "meteostat.interpolate",
            library_seconds,
        )
    ]


def _write_daily(path: Path, year: int, number: int) -> None:
    time_of = pd.date_range(f"{year}-01-01", f"{year}-12-31")
    generator = np.random.default_rng([year, number])
    table = pd.DataFrame({"year": year, "month": time_of.month, "day": time_of.day})
    mean = 15 + 10 * np.sin(2 * np.pi * (time_of.day_of_year - 110) / 365)
    for name, level in {"temp": 0.0, "tmin": -8.0, "tmax": 8.0}.items():
        table[name] = (mean + level + generator.normal(0, 2, len(table))).round(1)
        table[f"{name}_source"] = "ghcnd"
    path.parent.mkdir(parents=True, exist_ok=True)
    table.to_csv(path, index=False, compression="gzip")


def _large_study(root: Path, sites: int) -> list[Measured]:
    """Join and derive in a process of its own, from parsed station files of 37 years."""
    _write_large_cache(root)
    rows = []
    for what, code in {
        "join": "",
        "join and derive days and seasons": "derive_days(w, sites, heat_c=35.0); derive_seasons(w)",
        "join and find the monsoon": "find_monsoon(w, sites)",
    }.items():
        use = measure_python(
            "import numpy as np, pandas as pd\n"
            "from pathlib import Path\n"
            "from phenology.weather.derived import derive_days, derive_seasons\n"
            "from phenology.weather.meteostat_source import MeteostatWeather\n"
            "from phenology.weather.monsoon import find_monsoon\n"
            f"sites = pd.read_csv({str(root / 'sites.csv')!r}).head({sites})\n"
            f"dates = pd.date_range({FIRST!r}, {LAST!r}, unit='s')\n"
            f"w = MeteostatWeather.from_cache(Path({str(root)!r})).daily(sites, dates)\n"
            f"assert float(w.tmax_c.notnull().mean()) > 0.9\n{code}\n"
        )
        subject = f"{what}: {sites} sites, 37 years daily"
        rows.append(Measured(subject, use.seconds, peak_gib=use.peak_gib))
    return rows


def _write_large_cache(root: Path) -> None:
    """A cache as fetching and a first reading leave it: stations, raw files, parsed days."""
    from phenology.weather.cache import RawCache
    from phenology.weather.dataset import VARIABLES
    from phenology.weather.station_days import parsed_path, raw_key

    generator = np.random.default_rng(1)
    places = pd.DataFrame(
        {
            "station": [f"T{number:04d}" for number in range(STATIONS)],
            "latitude": generator.uniform(31, 34, STATIONS),
            "longitude": generator.uniform(-112, -108, STATIONS),
            "elevation": generator.integers(600, 2500, STATIONS),
        }
    )
    root.mkdir(parents=True)
    cache = RawCache(root)
    listed = root / "listed.db"
    with closing(sqlite3.connect(listed)) as database:
        places.assign(id=places["station"], country="US", region="", timezone=ZONE)[
            ["id", "country", "region", "latitude", "longitude", "elevation", "timezone"]
        ].to_sql("stations", database, index=False)
        places.assign(language="en", name=places["station"])[
            ["station", "language", "name"]
        ].to_sql("names", database, index=False)
        places.assign(provider="daily", parameter="temp", start=FIRST, end=LAST, completeness=99.0)[
            ["station", "provider", "parameter", "start", "end", "completeness"]
        ].to_sql("inventory", database, index=False)
    cache.keep("stations.db", "local", listed.read_bytes())
    dates = pd.date_range(FIRST, LAST, unit="s")
    day = dates.day_of_year.to_numpy()
    for station in places["station"]:
        raw = cache.keep(
            raw_key("daily", station, 1990), "local", gzip.compress(b"year,month,day\n")
        )
        mean = 15 + 10 * np.sin(2 * np.pi * (day - 110) / 365) + generator.normal(0, 2, len(dates))
        moist = (day > 185) & (day < 265)
        values = {
            "tmin_c": mean - 8,
            "tmax_c": mean + 8,
            "tmean_c": mean,
            "dewpoint_c": np.where(moist, 13.0, 1.0) + generator.normal(0, 2.5, len(dates)),
            "rain_mm": (generator.random(len(dates)) < np.where(moist, 0.4, 0.05))
            * generator.gamma(0.8, 8.0, len(dates)),
            "snow_cm": np.zeros(len(dates)),
            "wind_kmh": generator.gamma(2, 5, len(dates)),
        }
        outage = generator.random(len(dates) // 10).repeat(10) < 0.04
        table = pd.DataFrame(index=dates)
        for name in VARIABLES:
            table[name] = np.where(np.resize(outage, len(dates)), np.nan, values[name]).astype(
                np.float32
            )
            table[f"{name}_forecast"] = False
        table.attrs = {"providers": ["ghcnd", "isd_lite"], "notes": []}
        path = parsed_path(cache, station, ZONE, {("daily", 1990): raw})
        path.parent.mkdir(parents=True)
        table.to_parquet(path)
    at = generator.integers(0, STATIONS, SITES)
    pd.DataFrame(
        {
            "site": [f"site{number:03d}" for number in range(SITES)],
            "latitude": places["latitude"].to_numpy()[at] + generator.uniform(-0.2, 0.2, SITES),
            "longitude": places["longitude"].to_numpy()[at] + generator.uniform(-0.2, 0.2, SITES),
            "elevation_m": generator.integers(1000, 2600, SITES),
            "timezone": ZONE,
        }
    ).to_csv(root / "sites.csv", index=False)
