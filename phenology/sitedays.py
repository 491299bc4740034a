"""Everything joined: one xarray.Dataset on (site, date)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from phenology.bloom import SEASONS_LEFT_OUT, daily_bloom
from phenology.weather.source import daily_weather, weather_dates

if TYPE_CHECKING:
    from phenology.study.study import Study

# How a bird was caught: by a baited device, by an unbaited one, or on a day when both ran and
# the sheet does not say which took it; then the day's effort counts together.
BAIT = ("baited", "unbaited", "either")
_OF_BAIT = pd.CategoricalDtype(BAIT)


@dataclass(frozen=True)
class Sampling:
    """Birds and effort by day, before the drivers are joined."""

    birds: pd.DataFrame  # site, date, bait, group; a row for each bird of a day
    effort: pd.DataFrame  # site, date, bait, hours, full


def study_weather(study: Study) -> xr.Dataset | None:
    """Daily weather of every year known, from the source that study.toml names.

    Normals, the spread of drivers and the index of precipitation rest on all years of the
    sheet or the archive, not only on those with birds. None without weather.
    """
    sampled = study.captures["date"]
    if study.effort is not None:
        sampled = pd.concat([sampled, study.effort["date"]])
    sheet = study.sheets.get("weather")
    dates = weather_dates(study.options, sheet, sampled.min(), sampled.max())
    return daily_weather(study.options, study.sites, sheet, dates)


def join_site_days(
    study: Study,
    groups: pd.Series,
    seed: int,
    weather: xr.Dataset | None = None,
    *,
    bloom_seasons_left_out: int = SEASONS_LEFT_OUT,
) -> xr.Dataset:
    """Join captures, effort, feeders and what else there is on (site, date).

    Parameters
    ----------
    study : Study
    groups : Series
        Group of each capture, indexed as `study.captures`.
    seed : int
        Seeds the draws of bloom.
    weather : Dataset, optional
        From `study_weather`; read anew where it is left out.
    bloom_seasons_left_out : int
        As `daily_bloom` takes it; 0 where nobody asks what the bloom is worth.

    Returns
    -------
    Dataset
        Dimensions site, date (every day from the October before the first season to the last
        day sampled), bait and group. `captures` (site, date, bait, group) counts distinct
        individuals; `effort_hours` (site, date, bait) is device-hours, 0 where unknown;
        `full` marks days closed because more birds waited; `species` names the species of each
        group; `sampled` says whether the site was worked. Feeders, weather and bloom stand
        beside them where the study has them. The attribute `effort_known` says whether there
        was an effort sheet.
    """
    sampling = daily_sampling(study, groups)
    dated = pd.concat([sampling.birds["date"], sampling.effort["date"]])
    winter_before = pd.Timestamp(dated.min().year - 1, 10, 1)  # bloom and the dry season need it
    dates = pd.date_range(winter_before, dated.max(), freq="D", unit="s")
    coords = {
        "site": pd.Index(study.sites["site"]),
        "date": dates,
        "bait": pd.Index(BAIT),
        "group": pd.Index(sorted(groups.unique())),
    }
    captures = _cube(sampling.birds, coords, ("site", "date", "bait", "group"), np.int32(1))
    of_effort = sampling.effort, coords, ("site", "date", "bait")
    hours = _cube(*of_effort, sampling.effort["hours"].to_numpy())
    full = _cube(*of_effort, sampling.effort["full"].to_numpy(np.int32)) > 0
    species_of = study.captures["species"].groupby(groups).first()
    site_days = xr.Dataset(
        {
            "captures": captures.assign_attrs(units="1", long_name="distinct birds caught"),
            "effort_hours": hours.assign_attrs(units="h", long_name="device-hours"),
            "full": full.assign_attrs(long_name="closed because more birds waited"),
            "sampled": ((hours.sum("bait") > 0) | (captures.sum(["bait", "group"]) > 0)),
        },
        coords={"species": ("group", species_of.loc[coords["group"]].to_numpy())},
        attrs={"effort_known": int(study.effort is not None)},
    )
    weather = study_weather(study) if weather is None else weather
    bloom = daily_bloom(
        study.sheets.get("bloom"),
        study.sheets.get("plants"),
        study.sites,
        dates,
        weather,
        seed,
        seasons_left_out=bloom_seasons_left_out,
    )
    drivers = [_feeders(study, site_days), weather, bloom]
    joined = xr.merge(
        [site_days, *(driver for driver in drivers if driver is not None)],
        join="left",
        combine_attrs="override",
    )
    if weather is not None and "attribution" in weather.attrs:
        joined.attrs["attribution"] = weather.attrs["attribution"]
    return joined


def daily_sampling(study: Study, groups: pd.Series) -> Sampling:
    """Tell distinct individuals and device-hours by site, day and bait."""
    sessions = _sessions(study.effort)
    captures = study.captures[["site", "date", "trap"]].assign(
        band=pd.factorize(study.captures["band"])[0], group=groups.astype("category")
    )
    for name in ("site", "trap"):  # as numbers: there may be ten million captures
        words = {*captures[name].dropna().unique(), *sessions[name].dropna().unique()}
        kind = pd.CategoricalDtype(sorted(words))
        captures[name], sessions[name] = captures[name].astype(kind), sessions[name].astype(kind)
    captures = captures.merge(_bait_by_device(sessions), on=["site", "date", "trap"], how="left")
    captures = captures.merge(_bait_by_day(sessions), on=["site", "date"], how="left")
    captures["bait"] = captures["bait"].fillna(captures["bait_of_day"]).fillna("baited")
    together = captures.loc[captures["bait"] == "either", ["site", "date"]].drop_duplicates()
    captures = _pool_days(captures, together)
    sessions = _pool_days(sessions, together)
    again = captures.duplicated(["site", "date", "band"]) & (captures["band"] >= 0)
    effort = sessions.groupby(["site", "date", "bait"], as_index=False).agg(
        hours=("hours", "sum"), full=("full", "max")
    )
    return Sampling(birds=captures.loc[~again, ["site", "date", "bait", "group"]], effort=effort)


def _sessions(effort: pd.DataFrame | None) -> pd.DataFrame:
    """One row a session with its device-hours and whether it was baited."""
    columns = ["site", "date", "trap", "bait", "hours", "full"]
    if effort is None:
        empty = pd.DataFrame({column: [] for column in columns})
        return empty.astype(
            {"site": str, "trap": str, "bait": _OF_BAIT, "hours": float, "full": bool}
        ).assign(date=pd.Series([], dtype="datetime64[s]"))
    baited = effort["baited"].fillna(effort["method"].fillna("trap") == "trap").astype(bool)
    return pd.DataFrame(
        {
            "site": effort["site"],
            "date": effort["date"],
            "trap": effort["trap"],
            "bait": pd.Categorical(np.where(baited, "baited", "unbaited"), dtype=_OF_BAIT),
            "hours": ((effort["close"] - effort["open"]) * effort["traps"].fillna(1)).fillna(0.0),
            "full": effort["closed_because"].eq("full").fillna(False).astype(bool),
        }
    )


def _bait_by_device(sessions: pd.DataFrame) -> pd.DataFrame:
    """The bait of each device on each day; a device both baited and not stays unknown."""
    named = sessions[sessions["trap"].notna()]
    devices = named.drop_duplicates(["site", "date", "trap", "bait"])
    return devices.drop_duplicates(["site", "date", "trap"], keep=False)[
        ["site", "date", "trap", "bait"]
    ]


def _bait_by_day(sessions: pd.DataFrame) -> pd.DataFrame:
    """The bait of each day on which sessions ran."""
    days = sessions.groupby(["site", "date"])["bait"].agg(["first", "nunique"])
    return days["first"].mask(days["nunique"] > 1, "either").rename("bait_of_day").reset_index()


def _pool_days(rows: pd.DataFrame, together: pd.DataFrame) -> pd.DataFrame:
    days = rows[["site", "date"]].merge(together.assign(pooled=True), how="left")
    return rows.assign(bait=rows["bait"].mask(days["pooled"].notna().to_numpy(), "either"))


def _cube(
    rows: pd.DataFrame, coords: dict[str, Any], dims: tuple[str, ...], values: Any
) -> xr.DataArray:
    """Add up the values of rows, or one value for each, over a dense array of zeros."""
    cube = np.zeros(tuple(len(coords[dim]) for dim in dims), values.dtype)
    np.add.at(cube, tuple(coords[dim].get_indexer(rows[dim]) for dim in dims), values)
    return xr.DataArray(cube, dims=dims, coords={dim: coords[dim] for dim in dims})


def _feeders(study: Study, site_days: xr.Dataset) -> xr.Dataset | None:
    """Feeders by day: whether any hung, how many ports; unknown where the sheet is silent."""
    feeders = study.sheets.get("feeders")
    if feeders is None:
        return None
    shape = (site_days.sizes["site"], site_days.sizes["date"])
    up, ports = np.zeros(shape), np.zeros(shape)
    dates = pd.DatetimeIndex(site_days["date"].to_numpy())
    sites = pd.Index(site_days["site"].to_numpy())
    spans = feeders.assign(
        feeders=feeders["feeders"].fillna(1.0), ports=feeders["ports"].fillna(0.0)
    )
    for site, start, until, number, of_ports in spans[
        ["site", "from", "until", "feeders", "ports"]
    ].itertuples(index=False):
        row = sites.get_loc(site)
        days = (dates >= start) & (dates <= until)
        up[row, days] = np.maximum(up[row, days], float(number > 0))
        ports[row, days] += of_ports
    unsurveyed = ~np.isin(sites, feeders["site"].unique())
    up[unsurveyed], ports[unsurveyed] = np.nan, np.nan
    return xr.Dataset(
        {
            "feeders_up": (("site", "date"), up, {"units": "1", "long_name": "feeders hung"}),
            "feeder_ports": (("site", "date"), ports, {"units": "1", "long_name": "feeding ports"}),
        },
        coords={"site": site_days["site"], "date": site_days["date"]},
    )
