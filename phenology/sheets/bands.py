"""One history per band, and the doubts that a history raises."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from phenology.sheets.doubt import Doubt, Sheets


def find_new_again(sheets: Sheets) -> Iterable[Doubt]:
    """Find bands that are new though they were put on before."""
    captures = sheets.captures
    new = captures[(captures["capture"] == "new") & captures["band"].notna()]
    again = new["band"].duplicated(keep=False)
    if not again.any():
        return
    twice = new[again].sort_values(["band", "date"], kind="stable")
    first = ~twice["band"].duplicated()
    numbers = np.asarray(twice.index)
    holder = 0
    for place, is_first in zip(numbers, first, strict=True):
        if is_first:
            holder = int(place)
            continue
        before = captures.iloc[holder]
        message = f"new, but put on already on {before['date']:%Y-%m-%d} (row {before['row']})"
        yield Doubt("captures", int(place), "band", "new_again", "doubtful", message)
