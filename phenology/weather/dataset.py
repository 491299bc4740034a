"""What daily weather looks like: one Dataset on (site, date) whose every value says its origin.

Beside each variable stand `<variable>_station` (position on the dimension `station`, −1 where no
station is known) and `<variable>_status` (position in `STATUS`). `distance_km` and
`height_difference_m` on (site, station) complete the provenance; `provenance` lays it out.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.integer]

# name: (units, CF standard name or "", long name)
VARIABLES: dict[str, tuple[str, str, str]] = {
    "tmin_c": ("degC", "air_temperature", "lowest temperature of the day"),
    "tmax_c": ("degC", "air_temperature", "highest temperature of the day"),
    "tmean_c": ("degC", "air_temperature", "mean temperature of the day"),
    "dewpoint_c": ("degC", "dew_point_temperature", "mean dew point of the day"),
    "rain_mm": ("mm", "lwe_thickness_of_precipitation_amount", "rain and melted snow"),
    "snow_cm": ("cm", "surface_snow_thickness", "snow on the ground"),
    "wind_kmh": ("km h-1", "wind_speed", "mean wind speed"),
}
CELL_METHODS = {
    "tmin_c": "date: minimum",
    "tmax_c": "date: maximum",
    "rain_mm": "date: sum",
    "snow_cm": "date: maximum",
}
STATUS = ("missing", "measured", "combined", "filled", "forecast")
MISSING, MEASURED, COMBINED, FILLED, FORECAST = range(len(STATUS))


@dataclass
class Provenanced:
    """Values of one variable with their origin, all (site, date)."""

    values: Array
    station: Codes
    status: Codes

    @classmethod
    def empty(cls, shape: tuple[int, int]) -> "Provenanced":
        """No value anywhere."""
        return cls(np.full(shape, np.nan), np.full(shape, -1, np.int16), np.zeros(shape, np.int8))


@dataclass
class StationFrame:
    """Stations used, and how far each lies from each site (NaN where unknown)."""

    names: list[str]
    distance_km: Array
    height_difference_m: Array
    attributes: dict[str, str] = field(default_factory=dict)


def build_dataset(
    sites: list[str],
    dates: pd.DatetimeIndex,
    variables: Mapping[str, Provenanced],
    stations: StationFrame,
) -> xr.Dataset:
    """Put values and provenance into one Dataset; variables not given are wholly missing.

    Parameters
    ----------
    sites : list of str
    dates : pandas.DatetimeIndex
        Local days, without time zone.
    variables : mapping of str to Provenanced
        Names of `VARIABLES`; arrays (site, date).
    stations : StationFrame
        Its arrays are (site, station), in km and m.

    Returns
    -------
    xarray.Dataset
        Seven variables on (site, date), their `_station` and `_status`, and the stations.
    """
    shape = (len(sites), len(dates))
    data: dict[str, tuple[tuple[str, ...], npt.NDArray[np.generic], dict[str, object]]] = {}
    for name, (units, standard_name, long_name) in VARIABLES.items():
        given = variables.get(name) or Provenanced.empty(shape)
        attributes: dict[str, object] = {
            "units": units,
            "standard_name": standard_name,
            "long_name": long_name,
            "cell_methods": CELL_METHODS.get(name, "date: mean"),
            "ancillary_variables": f"{name}_station {name}_status",
        }
        data[name] = (("site", "date"), given.values.astype(np.float32), attributes)
        data[f"{name}_station"] = (
            ("site", "date"),
            given.station.astype(np.int16),
            {"long_name": f"position on `station` of the origin of {name}; -1: none named"},
        )
        data[f"{name}_status"] = (
            ("site", "date"),
            given.status.astype(np.int8),
            {
                "long_name": f"how {name} came about",
                "flag_values": np.arange(len(STATUS), dtype=np.int8),
                "flag_meanings": " ".join(STATUS),
            },
        )
    data["distance_km"] = (
        ("site", "station"),
        stations.distance_km.astype(np.float32),
        {"units": "km", "long_name": "distance of the weather station"},
    )
    data["height_difference_m"] = (
        ("site", "station"),
        stations.height_difference_m.astype(np.float32),
        {"units": "m", "long_name": "height of the weather station less that of the site"},
    )
    coordinates = {
        "site": np.asarray(sites, dtype=str),
        "date": dates,
        "station": np.asarray(stations.names, dtype=str),
    }
    return xr.Dataset(data, coords=coordinates, attrs=stations.attributes)


def provenance(weather: xr.Dataset, variable: str) -> xr.Dataset:
    """Where each value of a variable came from.

    Parameters
    ----------
    weather : xarray.Dataset
        As made by `build_dataset`.
    variable : str
        A name of `VARIABLES`.

    Returns
    -------
    xarray.Dataset
        `station` and `status` (words), `distance_km` [km] and `height_difference_m` [m], all
        on (site, date); empty or NaN where nothing is known.

    Examples
    --------
    >>> days = pd.date_range("2031-07-01", periods=2)
    >>> tmin = Provenanced(np.array([[11.0, np.nan]]), np.array([[0, -1]]), np.array([[1, 0]]))
    >>> frame = StationFrame(["ridge"], np.array([[12.5]]), np.array([[-80.0]]))
    >>> weather = build_dataset(["fork"], days, {"tmin_c": tmin}, frame)
    >>> origin = provenance(weather, "tmin_c")
    >>> origin.station.values.tolist(), origin.distance_km.values.tolist()
    ([['ridge', '']], [[12.5, nan]])
    """
    code = weather[f"{variable}_station"].values
    known = code >= 0
    rows = np.arange(code.shape[0])[:, None]
    names = np.append(weather["station"].values.astype(object), "")
    columns = {
        "station": names[code],
        "status": np.array(STATUS, object)[weather[f"{variable}_status"].values],
    }
    for table in ("distance_km", "height_difference_m"):
        values = np.full(code.shape, np.nan, np.float32)
        if known.any():
            values[known] = weather[table].values[np.broadcast_to(rows, code.shape), code][known]
        columns[table] = values
    return xr.Dataset(
        {name: (("site", "date"), values) for name, values in columns.items()},
        coords={"site": weather["site"], "date": weather["date"]},
    )
