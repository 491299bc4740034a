"""Doubts about times: time in the hand, and captures without effort."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from phenology.sheets.doubt import Doubt, Sheets

MIDNIGHT_H = 12.0  # a bird held "longer" than this backwards was released after midnight


def find_negative_time_in_hand(sheets: Sheets, midnight_h: float = MIDNIGHT_H) -> Iterable[Doubt]:
    """Find birds released before they were caught."""
    captures = sheets.captures
    for later, earlier in (("release_time", "time"), ("release_time", "process_time")):
        held = captures[later].to_numpy(float) - captures[earlier].to_numpy(float)
        for place in np.flatnonzero((held < 0) & (held > -midnight_h)):
            message = f"released {-held[place] * 60:.0f} minutes before {earlier.replace('_', ' ')}"
            yield Doubt(
                "captures", int(place), later, "negative_time_in_hand", "impossible", message,
                "", "blanked",
            )  # fmt: skip


def find_days_without_effort(sheets: Sheets) -> Iterable[Doubt]:
    """Find captures on days on which the effort sheet has no session at the site."""
    effort = sheets.used("effort")
    captures = sheets.captures
    if effort is None or captures.empty:
        return
    sampled = pd.MultiIndex.from_frame(effort[["site", "date"]].drop_duplicates())
    days = captures.groupby(["site", "date"], sort=False).ngroup().to_numpy()
    first = pd.Index(days).duplicated()
    of_day = captures.loc[~first, ["site", "date"]]
    known = pd.MultiIndex.from_frame(of_day).isin(sampled)
    for place in np.flatnonzero(~known[days]):
        message = "the effort sheet has no session at this site on this day"
        yield Doubt("captures", int(place), "date", "no_effort", "doubtful", message)
