"""Every parser of what comes from outside, with a good file of its kind to start from."""

from __future__ import annotations

import gzip
import io
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd

from phenology.errors import StudyError
from phenology.landscape_layers import read_layer
from phenology.sheets.layer import read_site_polygons
from phenology.study.options import read_options
from phenology.study.study import open_study
from phenology.weather.bulk import library, read_year
from phenology.weather.stations import StationList, consider_stations

STUDY = b"""name = "Invented"
[season]
from = "06-15"
until = "09-30"
[species]
"Selasphorus rufus" = "passage"
"Archilochus alexandri" = { role = "local", codes = ["BCHU"], sites = { fork = "mixed" } }
[groups]
by = ["age", "sex"]
[fat]
scale = "0-5"
[onward]
next_stop_km = 350
[weather]
source = "sheet"
[sharing]
coarsen_km = 10
[run]
seed = 1
[dates]
order = "month-first"
[limits]
heat_c = 35
[columns.captures]
wing_mm = "Wing"
[codes.captures.mass_g]
"x" = "not taken"
"""
SITES = b"site,latitude,longitude\nfork,33.2,-109.1\n"
CAPTURES = b"""site,date,time,band,species,age,sex,wing_mm,mass_g,fat
fork,2031-07-05,6:15,TEST-1,RUHU,AHY,M,40.1,3.21,2
fork,2031-07-06,0715,TEST-1,RUHU,AHY,M,"40,3",3.4g,3
fork,7/16/2031,18.15,TEST-3,BCHU,HY,F,45,3.4,0
"""
CORRECTIONS = b"""sheet,file,row,column,old,new,who,why
captures,captures.csv,2,band,TEST-1,TEST-2,us,misread
"""
WEATHER = b"""site,date,tmin_c,tmax_c,dewpoint_c,rain_mm
fork,2031-07-05,10.5,25,8,0
fork,2031-07-06,11,24.5,9,"3,5"
"""
EFFORT = b"site,date,trap,open,close,baited\nfork,2031-07-05,A,05:45,11:15,yes\n"
INNER_SHEET = "xl/worksheets/sheet1.xml"
POLYGON = (
    b'{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"site":"fork",'
    b'"kind":"meadow","from":"2030-01-01"},"geometry":{"type":"Polygon","coordinates":'
    b"[[[-109.1,33.2],[-109.0,33.2],[-109.0,33.3],[-109.1,33.2]]]}}]}"
)
DAILY = b"year,month,day,temp,temp_source,prcp,prcp_source\n" + b"".join(
    b"2020,7,%d,%d.5,ghcnd,0.0,ghcnd\n" % (day, day) for day in range(1, 29)
)


@dataclass(frozen=True)
class Parser:
    """What reads a file of this name, and good bytes of it."""

    name: str
    read: Callable[[Path], object]
    good: bytes


def _study_with(path: Path) -> object:
    """Open a study in which this file takes the place of a good one."""
    for name, content in {
        "study.toml": STUDY, "sites.csv": SITES, "captures.csv": CAPTURES,
    }.items():  # fmt: skip
        other = path.with_name(name)
        if not (other.exists() or path.stem == other.stem):
            other.write_bytes(content)
    study = open_study(path.parent)
    for kind, rows in study.rows.items():
        assert rows["used"] + rows["set_aside"] == rows["read"], kind
    return study


def _layer(path: Path) -> object:
    sites = pd.DataFrame({"site": ["fork"], "latitude": [33.2], "longitude": [-109.1]})
    return read_layer(path, "habitat", sites)


def _raw_weather(path: Path) -> object:
    station = library().Station(
        id="TEST1", latitude=33.0, longitude=-109.0, elevation=1500, timezone="America/Phoenix"
    )
    return read_year(path, "daily", station, 2020)


def _raw_weather_inside(path: Path) -> object:
    """Accidents before compression: else hardly one gets as far as the table."""
    path.write_bytes(gzip.compress(path.read_bytes()))
    return _raw_weather(path)


def _stations(path: Path) -> object:
    """Read the list and use it: what stands in it unchecked shows here."""
    known = StationList.read(path)
    site = pd.DataFrame(
        {"site": ["fork"], "latitude": [33.2], "longitude": [-109.1], "elevation_m": [1500]}
    )
    considered = consider_stations(site, known, 2019, 2020)
    return [known.station(station) for station in considered["station"] if station]


def _workbook_inside(path: Path) -> object:
    """Accidents in the sheet's own text, before compression."""
    sheet = path.read_bytes()
    with zipfile.ZipFile(io.BytesIO(_workbook())) as good, zipfile.ZipFile(path, "w") as made:
        for name in good.namelist():
            made.writestr(name, sheet if name == INNER_SHEET else good.read(name))
    return _study_with(path)


def _parquet() -> bytes:
    return pd.DataFrame({"site": ["fork"], "latitude": [33.2], "longitude": [-109.1]}).to_parquet()


@cache
def _workbook() -> bytes:
    book = openpyxl.Workbook()
    for row in (line.split(",") for line in EFFORT.decode().splitlines()):
        book.active.append(row)
    with tempfile.TemporaryDirectory() as folder:
        book.save(Path(folder) / "b.xlsx")
        return (Path(folder) / "b.xlsx").read_bytes()


def _inner_sheet() -> bytes:
    with zipfile.ZipFile(io.BytesIO(_workbook())) as book:
        return book.read(INNER_SHEET)


def _package() -> bytes:
    import geopandas as gpd

    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "sites.geojson"
        source.write_bytes(POLYGON)
        gpd.read_file(source).to_file(Path(folder) / "sites.gpkg")
        return (Path(folder) / "sites.gpkg").read_bytes()


def _station_list() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stations.db"
        with closing(sqlite3.connect(path)) as database:
            database.executescript(
                "CREATE TABLE stations(id TEXT, country TEXT, region TEXT, latitude REAL,"
                " longitude REAL, elevation INT, timezone TEXT);"
                "CREATE TABLE names(station TEXT, language TEXT, name TEXT);"
                "CREATE TABLE inventory(station TEXT, provider TEXT, parameter TEXT, start TEXT,"
                " end TEXT, completeness REAL);"
                "INSERT INTO stations VALUES('T1', 'US', 'AZ', 33, -109, 1500, 'America/Phoenix');"
                "INSERT INTO names VALUES('T1', 'en', 'Invented');"
                "INSERT INTO inventory VALUES('T1', 'daily', 'temp', '2019-01-01', '2020-12-31', 9)"
            )
        return path.read_bytes()


def parsers() -> list[Parser]:
    """All parsers; the good files of some are made by the libraries of their formats."""
    return [
        Parser("study.toml", read_options, STUDY),
        Parser("captures.csv", _study_with, CAPTURES),
        Parser("corrections.csv", _study_with, CORRECTIONS),
        Parser("weather.csv", _study_with, WEATHER),
        Parser("sites.parquet", _study_with, _parquet()),
        Parser("sites.geojson", read_site_polygons, POLYGON),
        Parser("sites.gpkg", read_site_polygons, _package()),
        Parser("habitat.geojson", _layer, POLYGON),
        Parser("TEST1.csv.gz", _raw_weather, gzip.compress(DAILY)),
        Parser("TEST2.csv.gz", _raw_weather_inside, DAILY),
        Parser("stations.db", _stations, _station_list()),
        Parser("effort.xlsx", _study_with, _workbook()),
        Parser("effort_2.xlsx", _workbook_inside, _inner_sheet()),
    ]


def attempt(parser: Parser, content: bytes, folder: Path) -> str:
    """Read some bytes: "read" or "refused". Anything but a message for people is raised."""
    path = folder / parser.name
    path.write_bytes(content)
    try:
        parser.read(path)
    except StudyError as error:
        assert error.what  # noqa: PT017 — words, whatever they say
        return "refused"
    finally:
        path.unlink()
    return "read"


def mutated(good: bytes, rng: np.random.Generator) -> bytes:
    """A good file after some accidents: bytes changed, cut out, repeated, put in."""
    content = bytearray(good)
    for _ in range(int(rng.integers(1, 4))):
        at = int(rng.integers(len(content) + 1))
        length = int(rng.integers(1, 30))
        match rng.integers(5):
            case 0 if content:
                content[min(at, len(content) - 1)] = int(rng.integers(256))
            case 1:
                del content[at : at + length]
            case 2:
                content[at:at] = content[at : at + length] * int(rng.integers(1, 4))
            case 3:
                content[at:at] = rng.bytes(length)
            case _:
                content[at:at] = rng.choice(ODD)
    return bytes(content)


ODD = np.array(
    [
        *(
            b"\x00",
            b"\xff\xfe",
            b"\n",
            b'"',
            b",,,",
            b";",
            b"\xef\xbb\xbf",
            b"[",
            b"{",
            b"]]]",
            b"'''",
        ),
        *(b"1e999", b"-1", b"nan", b"9999-99-99", b"=1+1", b"9" * 40),
        *(b"../../etc/passwd", b"\xf0\x9f\x90\xa6"),
    ],
    dtype=object,
)
