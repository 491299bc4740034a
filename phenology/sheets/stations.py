"""Names of the stations: what the other sheets may write, and no name for two."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from phenology.sheets.codes import bare
from phenology.sheets.doubt import Doubt, Sheets

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
