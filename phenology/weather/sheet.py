"""The study's own weather sheet: rows by day or by hour, for a site or for a station."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from phenology.errors import StudyError
from phenology.weather.dataset import (
    MEASURED,
    VARIABLES,
    Provenanced,
    StationFrame,
    build_dataset,
)

MISSING_SHARE_OF_MEAN = 1 / 8  # a daily mean may lack this share of the day's usual readings
_OWN = "own sheet"


@dataclass(frozen=True)
class SheetWeather:
    """Weather as written in the study's clean sheet "weather".

    A row with a time is a reading, and readings are summed up by local day; a row without is a
    day. Where a site has both, the day's own row goes first. Rows that name a station but no
    site stand for every site if the sheet knows one station only.

    Parameters
    ----------
    sheet : pandas.DataFrame
        The clean sheet: site, station, date, time and the variables, as far as it has them.
    """

    sheet: pd.DataFrame

    def daily(self, sites: pd.DataFrame, dates: pd.DatetimeIndex) -> xr.Dataset:
        """Daily weather with its origin; missing where the sheet is silent.

        Raises
        ------
        StudyError
            If rows name several stations and none says for which site.
        """
        names = sites["site"].astype(str).tolist()
        rows = _rows_by_site(self.sheet, names)
        days = pd.concat([_from_days(rows), _from_readings(rows)])
        stations = list(dict.fromkeys(rows["station"]))
        shape = (len(names), len(dates))
        variables: dict[str, Provenanced] = {}
        site_at = {site: position for position, site in enumerate(names)}
        for variable in VARIABLES:
            if variable not in days:
                continue
            filled = days.dropna(subset=[variable])
            filled = filled[filled["date"].isin(dates) & filled["site"].isin(names)]
            filled = filled.drop_duplicates(["site", "date"], keep="first")
            at = (
                filled["site"].map(site_at).to_numpy(dtype=int),
                dates.get_indexer(pd.DatetimeIndex(filled["date"])),
            )
            given = Provenanced.empty(shape)
            given.values[at] = filled[variable].to_numpy(dtype=float)
            given.station[at] = pd.Index(stations).get_indexer(pd.Index(filled["station"]))
            given.status[at] = MEASURED
            variables[variable] = given
        unknown = np.full((len(names), len(stations)), np.nan)
        at_site = np.array([station == _OWN for station in stations], dtype=bool)
        unknown[:, at_site] = 0.0
        frame = StationFrame(
            stations,
            unknown,
            unknown.copy(),
            {"source": "sheet", "attribution": "Weather: the study's own sheet."},
        )
        return build_dataset(names, dates, variables, frame)


def _rows_by_site(sheet: pd.DataFrame, sites: list[str]) -> pd.DataFrame:
    """Every row with a site and a station; rows of the sheet's only station serve all sites."""
    rows = sheet.copy()
    for column in ("site", "station"):
        if column not in rows:
            rows[column] = pd.Series(pd.NA, index=rows.index, dtype="str")
    rows["date"] = pd.to_datetime(rows["date"]).dt.normalize()
    siteless = rows["site"].isna()
    named_as_site = siteless & rows["station"].isin(sites)
    rows.loc[named_as_site, "site"] = rows.loc[named_as_site, "station"]
    general = rows[rows["site"].isna()]
    stations = general["station"].dropna().unique()
    if len(stations) > 1:
        raise StudyError(
            "The weather sheet has rows without a site for several stations "
            f"({', '.join(sorted(map(str, stations))[:5])}).",
            "Fill in `site`, so that each row says which site it stands for.",
        )
    parts = [rows[rows["site"].notna()]]
    parts += [general.assign(site=site) for site in sites]
    joined = pd.concat(parts, ignore_index=True)
    joined["station"] = joined["station"].fillna(_OWN).astype(str)
    return joined


def _present(rows: pd.DataFrame) -> list[str]:
    return [name for name in VARIABLES if name in rows]


def _from_days(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows without a time; a day written twice by one station is averaged."""
    whole = rows if "time" not in rows else rows[rows["time"].isna()]
    return (
        whole.groupby(["site", "station", "date"], sort=False)[_present(rows)].mean().reset_index()
    )


def _from_readings(rows: pd.DataFrame) -> pd.DataFrame:
    """Days summed up from readings, where the day has as many as this station usually takes."""
    names = _present(rows)
    if "time" not in rows or rows["time"].isna().all():
        return pd.DataFrame(columns=["site", "station", "date", *names])
    readings = rows[rows["time"].notna()].drop_duplicates(["site", "station", "date", "time"])
    if "tmean_c" in names:
        readings = readings.assign(
            tmin_c=readings.get("tmin_c", readings["tmean_c"]).fillna(readings["tmean_c"]),
            tmax_c=readings.get("tmax_c", readings["tmean_c"]).fillna(readings["tmean_c"]),
        )
        names = _present(readings)
    grouped = readings.groupby(["site", "station", "date"], sort=False)
    how = {"tmin_c": "min", "tmax_c": "max", "rain_mm": "sum", "snow_cm": "max"}
    summed = grouped[names].agg({name: how.get(name, "mean") for name in names})
    counted = grouped[names].count()
    usual = counted.where(counted > 0).groupby(level=["site", "station"]).transform("median")
    allowed = pd.Series(
        {name: 0.0 if name in how else MISSING_SHARE_OF_MEAN for name in names}, dtype=float
    )
    complete = counted.ge(usual.mul(1 - allowed, axis="columns")) & counted.gt(0)
    return summed.where(complete).reset_index()
