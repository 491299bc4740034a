"""Plant the mistakes that field sheets carry, and keep the list of what was planted."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict
from types import MappingProxyType

import numpy as np
import pandas as pd

from phenology.simulate import mistakes_of_measure as measure
from phenology.simulate import mistakes_of_record as record
from phenology.simulate.draft import Draft

PLANTED_COLUMNS = ("event", "kind", "sheet", "row", "column", "old", "new")

# by kind of finding; habits change many cells and come last, when single cells are taken
MISTAKES: Mapping[str, Callable[[Draft], None]] = MappingProxyType(
    {
        "unreadable_time": record.unreadable_time,
        "unreadable_date": record.unreadable_date,
        "outside_session": record.outside_session,
        "no_effort": record.no_effort,
        "unknown_site": record.unknown_site,
        "unknown_species": record.unknown_species,
        "digits_swapped": measure.digits_swapped,
        "decimal_shifted": measure.decimal_shifted,
        "columns_swapped": measure.columns_swapped,
        "block_shifted": measure.block_shifted,
        "wrong_unit": measure.wrong_unit,
        "row_repeated": measure.row_repeated,
        "implausible": measure.implausible,
        "new_again": record.new_again,
        "never_banded": record.never_banded,
        "band_changes_species": record.band_changes_species,
        "band_changes_sex": record.band_changes_sex,
        "grows_younger": record.grows_younger,
        "out_of_string": record.out_of_string,
        "wrong_band_size": record.wrong_band_size,
        "impossible_journey": record.impossible_journey,
        "wing_differs": measure.wing_differs,
        "mass_change": measure.mass_change,
        "fat_on_lean": measure.fat_on_lean,
        "overlapping_session": record.overlapping_session,
        "negative_session": record.negative_session,
        "negative_time_in_hand": record.negative_time_in_hand,
        "long_time_in_hand": record.long_time_in_hand,
        "row_twice": record.row_twice,
        "digit_preference": measure.digit_preference,
        "reader_apart": measure.reader_apart,
    }
)


def plant_mistakes(
    sheets: Mapping[str, pd.DataFrame],
    rng: np.random.Generator,
    kinds: Iterable[str] = tuple(MISTAKES),
    n: int = 1,
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Plant mistakes in clean sheets.

    Parameters
    ----------
    sheets : dict of str to pandas.DataFrame
        Sheets of text cells (`phenology.simulate.write.written_sheets`): captures and effort;
        others pass unchanged. Not altered.
    rng : numpy.random.Generator
    kinds : iterable of str
        Kinds of finding, from `MISTAKES`; one named twice is planted twice as often.
    n : int
        Mistakes of each kind.

    Returns
    -------
    sheets : dict of str to pandas.DataFrame
    planted : pandas.DataFrame
        One row a cell changed: event (mistakes counted from 1), kind, sheet, row as a spreadsheet
        numbers it, column (blank for a row added), old, new.

    Raises
    ------
    ValueError
        For an unknown kind.
    LookupError
        If the sheets have no row left for a mistake.
    """
    wanted = list(kinds)
    unknown = sorted(set(wanted) - set(MISTAKES))
    if unknown:
        raise ValueError(f"no such kinds of mistake: {unknown}")
    draft = Draft.of(sheets, rng)
    order = list(MISTAKES)
    rows = []
    event = 0
    for kind in sorted(wanted, key=order.index):
        for _ in range(n):
            event += 1
            draft.changes.clear()
            MISTAKES[kind](draft)
            rows += [{"event": event, "kind": kind} | asdict(change) for change in draft.changes]
    return draft.sheets, pd.DataFrame(rows, columns=list(PLANTED_COLUMNS))
