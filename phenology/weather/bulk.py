"""Reading raw bulk files, with the meteostat library as the reader and never as the downloader.

The library loses a whole station-year in silence if a time stands twice or no provider is named;
here that is mended, or told in a note.
"""

from __future__ import annotations

import logging
import tempfile
import threading
import zlib
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from phenology.errors import StudyError

if TYPE_CHECKING:
    from meteostat import Station

Kind = Literal["hourly", "daily"]
VALUES = {
    "hourly": ("temp", "rhum", "prcp", "snwd", "wspd"),
    "daily": ("temp", "tmin", "tmax", "prcp", "snwd", "wspd"),
}
_TIMES = {"hourly": ["year", "month", "day", "hour"], "daily": ["year", "month", "day"]}
_ONE_READER = threading.Lock()  # the library's addresses are module globals


_FETCH_AGAIN = "Delete the weather cache for this station and fetch again."


class DamagedFileError(StudyError):
    """A raw file that cannot be read as what it says it is."""


@dataclass
class BulkYear:
    """One station-year as read.

    Attributes
    ----------
    values : DataFrame
        float64; index naive UTC hours or days.
    forecast : DataFrame
        bool, same shape: whether the value is a forecast.
    providers : set of str
    notes : list of str
        What was mended or set aside.
    """

    values: pd.DataFrame
    forecast: pd.DataFrame
    providers: set[str] = field(default_factory=set)
    notes: list[str] = field(default_factory=list)


@cache
def library() -> Any:
    """The meteostat library, its own cache, guards and addresses out of use."""
    import meteostat

    meteostat.config.cache_enable = False
    meteostat.config.cache_autoclean = False
    meteostat.config.block_large_requests = False
    meteostat.config.stations_db_endpoints = []
    meteostat.config.stations_db_ttl = 10**12
    # What it logs with a traceback is told here in words; a program that logs still hears it.
    logging.getLogger("meteostat").addHandler(logging.NullHandler())
    return meteostat


@cache
def forecast_providers() -> tuple[frozenset[str], frozenset[str]]:
    """Identifiers of all providers that the library knows, and of those that forecast."""
    library()
    from meteostat.core.providers import provider_service
    from meteostat.enumerations import Grade

    known = frozenset(str(provider.id) for provider in provider_service.providers)
    guessing = frozenset(
        str(provider.id)
        for provider in provider_service.providers
        if provider.grade in (Grade.FORECAST, Grade.ANALYSIS)
    )
    return known, guessing


def read_year(
    path: Path, kind: Kind, station: Station, year: int, *, allow_forecast: bool = False
) -> BulkYear:
    """Read one raw file of a station and year.

    Parameters
    ----------
    path : Path
        The gzipped table.
    kind : {"hourly", "daily"}
    station : meteostat.Station
    year : int
    allow_forecast : bool
        Keep values that come from a forecast; else they are set aside, as are values whose
        provider is unknown.

    Returns
    -------
    BulkYear

    Raises
    ------
    DamagedFileError
        If the file is no table of that kind.
    """
    table, notes = _check_table(path, kind)
    repeated = table.duplicated(_TIMES[kind])
    if repeated.any():
        notes.append(f"{int(repeated.sum())} repeated times dropped, the first of each kept")
        with tempfile.TemporaryDirectory() as folder:
            mended = Path(folder) / "mended.csv.gz"
            whole = pd.read_csv(path, dtype=str, keep_default_na=False, compression="gzip")
            whole[~repeated.to_numpy()].to_csv(mended, index=False)
            frame = _read_by_library(mended, kind, station, year)
    else:
        frame = _read_by_library(path, kind, station, year)
    if frame is None:
        sourced = [name for name in VALUES[kind] if {name, f"{name}_source"} <= set(table)]
        if table[sourced].notna().any(axis=None):
            raise DamagedFileError(
                f"The library cannot read {path.name} of {year}.",
                _FETCH_AGAIN,
            )
        frame = pd.DataFrame(index=pd.DatetimeIndex([], name="time"))
    return _sort_out(frame, kind, notes, allow_forecast)


def _check_table(path: Path, kind: Kind) -> tuple[pd.DataFrame, list[str]]:
    times = _TIMES[kind]
    try:
        table = pd.read_csv(path, compression="gzip", low_memory=False)
        stamps = table[times]
        pd.to_datetime(stamps)
    except (OSError, ValueError, KeyError, EOFError, OverflowError, zlib.error) as error:
        raise DamagedFileError(
            f"{path.name} is no {kind} table ({type(error).__name__}).",
            _FETCH_AGAIN,
        ) from None
    notes = []
    for name in VALUES[kind]:
        if name in table and f"{name}_source" not in table and table[name].notna().any():
            count = int(table[name].notna().sum())
            notes.append(f"{count} values of {name} set aside: no provider is named")
    return table, notes


def _read_by_library(path: Path, kind: Kind, station: Station, year: int) -> pd.DataFrame | None:
    meteostat = library()
    from importlib import import_module

    start = pd.Timestamp(year=year, month=1, day=1).to_pydatetime()
    end = pd.Timestamp(year=year, month=12, day=31, hour=23).to_pydatetime()
    address = str(path).replace("{", "{{").replace("}", "}}")
    parameters = [meteostat.Parameter(name) for name in VALUES[kind]]
    with _ONE_READER:
        module: Any = import_module(f"meteostat.providers.meteostat.{kind}")
        before = module.ENDPOINT
        module.ENDPOINT = address
        try:
            series = getattr(meteostat, kind)(station, start, end, parameters=parameters)
            frame: pd.DataFrame | None = series.fetch(sources=True) if not series.empty else None
        except Exception as error:  # noqa: BLE001 — the library raises many kinds, all of the file
            raise DamagedFileError(
                f"{path.name} of {year} is damaged ({type(error).__name__}).", _FETCH_AGAIN
            ) from None
        finally:
            module.ENDPOINT = before
    return frame


def _sort_out(frame: pd.DataFrame, kind: Kind, notes: list[str], allow_forecast: bool) -> BulkYear:
    """Cast to float and set aside forecasts and values of unknown providers."""
    known, guessing = forecast_providers()
    index = pd.DatetimeIndex(frame.index)
    values = pd.DataFrame(index=index)
    forecast = pd.DataFrame(index=index)
    providers: set[str] = set()
    for name in VALUES[kind]:
        if name not in frame:
            values[name], forecast[name] = np.nan, False
            continue
        column = frame[name].astype("Float64").to_numpy(dtype=float, na_value=np.nan)
        sources = frame[f"{name}_source"].fillna("").astype(str)
        verdicts = {text: _verdict(text, known, guessing) for text in sources.unique()}
        verdict = sources.map(verdicts).to_numpy()
        is_forecast = (verdict == "forecast") & np.isfinite(column)
        refused = (verdict == "unknown") | (is_forecast & (not allow_forecast))
        refused &= np.isfinite(column)
        for what in ("forecast", "unknown"):
            count = int((refused & (verdict == what)).sum())
            if count:
                reason = "a forecast" if what == "forecast" else "of an unknown provider"
                notes.append(f"{count} values of {name} set aside: {reason}")
        values[name] = np.where(refused, np.nan, column)
        forecast[name] = is_forecast & ~refused
        kept = sources[np.isfinite(values[name].to_numpy())].unique()
        providers |= {part for text in kept for part in text.split()}
    return BulkYear(values, forecast, providers, notes)


def _verdict(source: str, known: frozenset[str], guessing: frozenset[str]) -> str:
    parts = source.split()
    if not parts or any(part not in known for part in parts):
        return "unknown"
    return "forecast" if any(part in guessing for part in parts) else "measured"
