"""Which weather stations lie within reach of a site, and which one is taken, with the reason."""

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.errors import StudyError
from phenology.weather.bulk import library

REACH_KM = 75.0
HEIGHT_WEIGHT = 10.0  # a metre of height counts as so many metres of distance
LEAST_SHARE_OF_YEARS = 0.5  # a station is taken only if it covers this share of the years
NEIGHBOURS = 4  # stations kept for a site: the one taken and those that fill its gaps
INVENTORY = {"temp", "tmin", "tmax", "prcp", "rhum"}


def distance_km(
    latitude_deg: npt.ArrayLike,
    longitude_deg: npt.ArrayLike,
    other_latitude_deg: npt.ArrayLike,
    other_longitude_deg: npt.ArrayLike,
) -> npt.NDArray[np.float64]:
    """Length of the shortest line on the WGS84 ellipsoid [km].

    Examples
    --------
    >>> round(float(distance_km(48.83639, 2.33722, 38.92139, -77.06556)), 1)
    6181.6
    """
    from pyproj import Geod

    from_lon, from_lat, to_lon, to_lat = (
        np.asarray(array, dtype=float)
        for array in np.broadcast_arrays(
            longitude_deg, latitude_deg, other_longitude_deg, other_latitude_deg
        )
    )
    metres = Geod(ellps="WGS84").inv(from_lon, from_lat, to_lon, to_lat)[2]
    return np.asarray(metres, dtype=float) / 1000.0


def effective_distance_km(
    distance_km: npt.ArrayLike, height_difference_m: npt.ArrayLike
) -> npt.NDArray[np.float64]:
    """Distance with height in it, √(d² + (10·Δz)²) [km]; an unknown height counts nothing."""
    height_km = np.nan_to_num(np.asarray(height_difference_m, dtype=float)) / 1000.0
    distance: npt.NDArray[np.float64] = np.hypot(
        np.asarray(distance_km, dtype=float), HEIGHT_WEIGHT * height_km
    )
    return distance


@dataclass(frozen=True)
class StationList:
    """The station list of the bulk archive, read by the meteostat library.

    Attributes
    ----------
    stations : DataFrame
        station, name, latitude, longitude, elevation_m, timezone.
    inventory : DataFrame
        station, first, last (years), completeness (share of days, mean over parameters).
    """

    stations: pd.DataFrame
    inventory: pd.DataFrame

    @classmethod
    def read(cls, path: Path) -> "StationList":
        """Read the station database.

        Raises
        ------
        StudyError
            If the file is no station database.
        """
        meteostat = library()
        meteostat.config.stations_db_file = str(path)
        try:
            stations = meteostat.stations.query(
                "SELECT s.id AS station, MIN(n.name) AS name, s.country AS country,"
                " s.latitude AS latitude, s.longitude AS longitude,"
                " s.elevation AS elevation_m, s.timezone AS timezone"
                " FROM stations s LEFT JOIN names n ON n.station = s.id AND n.language = 'en'"
                " GROUP BY s.id"
            )
            inventory = meteostat.stations.query(
                "SELECT station AS station, parameter AS parameter, start AS start, end AS end,"
                " completeness AS completeness FROM inventory"
                " WHERE provider IN ('hourly', 'daily')"
                " OR provider NOT IN ('monthly', 'normals', 'climat')"
            )
            years = _years_of(inventory)
            for name in ("latitude", "longitude", "elevation_m"):
                numbers = pd.to_numeric(stations[name])  # a damaged cell may hold text
                stations[name] = numbers.where(np.isfinite(numbers))
        except (
            pd.errors.DatabaseError,
            sqlite3.Error,  # as rows are fetched: text that is no UTF-8
            OSError,
            ValueError,
            TypeError,
            OverflowError,
        ) as error:
            raise StudyError(
                f"The station list cannot be read ({type(error).__name__}).",
                "Delete stations.db in the weather cache and fetch again.",
            ) from None
        stations["name"] = stations["name"].fillna(stations["station"])
        return cls(stations.reset_index(drop=True), years)

    def station(self, station: str) -> Any:
        """One station as the library's own type."""
        row = self.stations.set_index("station").loc[station]
        return library().Station(
            id=station,
            name=row["name"],
            country=row["country"],
            latitude=float(row["latitude"]),
            longitude=float(row["longitude"]),
            elevation=None if pd.isna(row["elevation_m"]) else int(row["elevation_m"]),
            timezone=row["timezone"],
        )


def _years_of(inventory: pd.DataFrame) -> pd.DataFrame:
    wanted = inventory[inventory["parameter"].isin(INVENTORY)]
    dated = wanted.assign(
        first=pd.to_datetime(wanted["start"]).dt.year,
        last=pd.to_datetime(wanted["end"]).dt.year,
        completeness=pd.to_numeric(wanted["completeness"]),
    )
    return dated.groupby("station", as_index=False).agg(
        first=("first", "min"), last=("last", "max"), completeness=("completeness", "mean")
    )


def consider_stations(
    sites: pd.DataFrame,
    known: StationList,
    first_year: int,
    last_year: int,
    *,
    reach_km: float = REACH_KM,
    progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:
    """Weigh every station within reach of every site.

    The station taken is the one at the least effective distance among those that cover at least
    half the years asked for; the next ones fill its gaps.

    Parameters
    ----------
    sites : DataFrame
        site, latitude, longitude, elevation_m.
    known : StationList
    first_year, last_year : int
    reach_km : float

    Returns
    -------
    DataFrame
        site, station, name, distance_km, height_difference_m (station less site), first, last,
        share_of_years, completeness, effective_distance_km, rank (0: taken, 1-3: for its gaps,
        −1: not used), why. A site without a station within reach has one row that says so.
    """
    stations = known.stations.merge(known.inventory, on="station", how="left")
    tables = []
    for count, site in enumerate(sites.to_dict("records")):
        tables.append(_weigh(site, stations, (first_year, last_year), reach_km))
        if progress is not None:
            progress(count + 1, len(sites))
    return pd.concat(tables, ignore_index=True)


def _weigh(
    site: dict[Any, Any], stations: pd.DataFrame, years: tuple[int, int], reach_km: float
) -> pd.DataFrame:
    degrees = reach_km / 110.0
    box = (stations["latitude"] - site["latitude"]).abs() <= degrees
    near = stations[box]
    distances = distance_km(
        site["latitude"], site["longitude"], near["latitude"], near["longitude"]
    )
    near = near.assign(distance_km=distances)[distances <= reach_km]
    if near.empty:
        columns = {"site": [str(site["site"])], "station": [""], "rank": [-1]}
        return pd.DataFrame(columns).assign(why=f"no weather station within {reach_km:g} km")
    own: Any = site.get("elevation_m")
    height = near["elevation_m"].astype(float) - (np.nan if pd.isna(own) else float(own))
    first, last = years
    overlap = np.minimum(near["last"], last) - np.maximum(near["first"], first) + 1
    share = (overlap.clip(lower=0) / (last - first + 1)).fillna(0.0)
    weighed = pd.DataFrame(
        {
            "site": str(site["site"]),
            "station": near["station"],
            "name": near["name"],
            "distance_km": near["distance_km"],
            "height_difference_m": height,
            "first": near["first"],
            "last": near["last"],
            "share_of_years": share,
            "completeness": near["completeness"],
            "effective_distance_km": effective_distance_km(near["distance_km"], height),
        }
    ).sort_values("effective_distance_km", ignore_index=True)
    able = weighed["share_of_years"] >= LEAST_SHARE_OF_YEARS
    taken = weighed.index[able][:1].union(weighed.index[weighed["share_of_years"] > 0], sort=False)
    rank = pd.Series(-1, index=weighed.index)
    order = list(taken[:NEIGHBOURS]) if able.any() else []
    rank.loc[order] = range(len(order))
    return weighed.assign(rank=rank, why=[_why(row, rank[k]) for k, row in weighed.iterrows()])


def _why(row: pd.Series, rank: int) -> str:
    if rank == 0:
        return "nearest, height counted, of those that cover at least half the years"
    if rank > 0:
        return "fills gaps of the station taken"
    if row["share_of_years"] == 0:
        return "has none of the years"
    if row["share_of_years"] < LEAST_SHARE_OF_YEARS:
        return f"covers only {row['share_of_years']:.0%} of the years"
    return "farther, height counted, than the stations used"
