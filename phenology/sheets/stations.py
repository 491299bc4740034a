"""Stations: what the other sheets may call them, no name for two, areas that can be."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from phenology.sheets.codes import bare
from phenology.sheets.doubt import Doubt, Sheets
from phenology.time_zones import is_time_zone, zone_by_longitude

M2_A_HA = 10_000.0
CLOCK_FROM_SUN_H = 3.5  # nowhere do clocks run farther from the sun (from memory: 3.1)
_MIDSEASONS = pd.to_datetime(["2031-01-15", "2031-07-15"])  # in summer time, and not
_DIFFERING = ("latitude", "longitude", "elevation_m", "timezone")


def station_names(sites: pd.DataFrame) -> dict[str, str]:
    """Spellings of every station: its short name and its full name."""
    full = {bare(str(name)): site for name, site in zip(sites["name"], sites["site"], strict=True)}
    return {text: site for text, site in full.items() if text != "nan"} | {
        bare(site): site for site in sites["site"]
    }


def find_sites_twice(sheets: Sheets) -> Iterable[Doubt]:
    """Find stations whose short name a row further up has: a capture could be at either."""
    sites = sheets.reads["sites"].used
    names = sites["site"].map(bare)
    for place in np.flatnonzero(names.duplicated()).tolist():
        here, before = sites.iloc[place], sites[names == names[place]].iloc[0]
        where = f"row {before['row']}" + (
            f" of {before['file']}" if before["file"] != here["file"] else ""
        )
        message = f"the site stands twice, here and in {where}, which is used"
        differing = [
            name
            for name in _DIFFERING
            if here[name] != before[name] and not (pd.isna(here[name]) and pd.isna(before[name]))
        ]
        if differing:
            message += f"; they differ in {', '.join(differing)}"
        yield Doubt("sites", place, "site", "site_twice", "impossible", message, action="set aside")


def find_flowering_area_small(sheets: Sheets) -> Iterable[Doubt]:
    """Find stations with less flowering ground than a single survey of bloom went over."""
    sites, bloom = sheets.reads["sites"].used, sheets.used("bloom")
    if bloom is None:
        return
    surveyed_ha = sites["site"].map(bloom.groupby("site")["area_m2"].max() / M2_A_HA)
    small = (sites["flowering_area_ha"] < surveyed_ha).to_numpy(dtype=bool)
    for place in np.flatnonzero(small).tolist():
        message = (
            f"less than the {surveyed_ha.iloc[place]:g} ha that one survey of bloom covered there; "
            "10,000 m2 make one ha"
        )
        yield Doubt(
            "sites", place, "flowering_area_ha", "flowering_area_small", "doubtful", message
        )


def find_time_zones(sheets: Sheets) -> Iterable[Doubt]:
    """Find time zones that are none, and those far from the sun's time at the station."""
    sites = sheets.reads["sites"].used
    for place, zone in enumerate(sites["timezone"]):
        if not isinstance(zone, str) or not zone:
            continue
        longitude = sites["longitude"].iloc[place]
        usual = zone_by_longitude(longitude)
        if not is_time_zone(zone):
            message = "no time zone has this name; IANA names are such as America/Denver"
            yield Doubt("sites", place, "timezone", "unknown_time_zone", "impossible", message,
                        usual, "blanked")  # fmt: skip
            continue
        offsets = [time.utcoffset().total_seconds() / 3600
                   for time in _MIDSEASONS.tz_localize(zone)]  # fmt: skip
        apart = min(abs((offset - longitude / 15 + 12) % 24 - 12) for offset in offsets)
        if apart > CLOCK_FROM_SUN_H:
            message = (
                f"its clocks run {apart:.0f} hours from the sun at this longitude"
                " (west of Greenwich zones are called Etc/GMT+)"
            )
            yield Doubt("sites", place, "timezone", "time_zone_far", "doubtful", message, usual)
