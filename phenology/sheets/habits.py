"""Habits of reading that widen errors: digit preference, readers apart, fat against mass."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from phenology.sheets.codes import fat_levels
from phenology.sheets.doubt import Doubt, Sheets
from phenology.sheets.measured import Measured

FEWEST_READINGS = 60
PREFERRED_SHARE = 0.45  # of readings ending in .0 or .5, where a fifth would by chance
READ_IN_HALVES = 0.98  # beyond this the measurement is simply read in whole or half units
FEWEST_OF_READER = 25
READER_SPREADS = 0.5  # a reader's median this many spreads from the others'
READER_CERTAINTY = 5.0
HEAVY_FAT_SHARE = 0.8  # of the scale's levels: fat above it is heavy
LEAN_SPREADS = 2.5  # a mass this far below the class's lean birds does not carry heavy fat


def find_digit_preference(
    _: Sheets, measured: Measured, preferred: float = PREFERRED_SHARE
) -> Iterable[Doubt]:
    """Find measurements whose last digits are mostly 0 or 5: readings to the half unit."""
    for column, name in enumerate(measured.names):
        values = measured.values[:, column]
        tenths = np.round(values[np.isfinite(values)] * 10)
        digits = tenths % 10
        if (
            len(digits) < FEWEST_READINGS
            or (digits == 0).all()
            or not np.isin(digits, (0, 5)).any()
        ):
            continue
        share = float(np.isin(digits, (0, 5)).mean())
        if share > preferred and share < 1.0:
            first = int(np.flatnonzero(np.isfinite(values))[0])
            message = (
                f"{share:.0%} of {name} end in .0 or .5, where 20 % would by chance: readings are "
                "often rounded to half units, which widens the measurement error"
            )
            yield Doubt("captures", first, name, "digit_preference", "note", message)


def find_readers_apart(
    sheets: Sheets,
    measured: Measured,
    spreads: float = READER_SPREADS,
    certainty: float = READER_CERTAINTY,
) -> Iterable[Doubt]:
    """Find banders whose readings of a measurement sit apart from the others'."""
    readers = sheets.reads["captures"].labels("bander")
    if readers.max(initial=-1) < 1:
        return
    for column, name in enumerate(measured.names):
        scores = measured.scores[:, column]
        for reader in range(int(readers.max()) + 1):
            known = np.isfinite(scores)
            own, others = scores[known & (readers == reader)], scores[known & (readers != reader)]
            if min(len(own), len(others)) < FEWEST_OF_READER:
                continue
            apart = float(np.median(own) - np.median(others))
            error = 1.25 * np.sqrt(1 / len(own) + 1 / len(others))
            if abs(apart) > spreads and abs(apart) > certainty * error:
                first = int(np.flatnonzero(known & (readers == reader))[0])
                side = "above" if apart > 0 else "below"
                message = (
                    f"this bander's {name} lie {abs(apart):.1f} standard deviations {side} the "
                    f"others' for like birds ({len(own)} readings)"
                )
                yield Doubt("captures", first, "bander", "reader_apart", "note", message)


def find_fat_on_lean(
    sheets: Sheets, measured: Measured, spreads: float = LEAN_SPREADS
) -> Iterable[Doubt]:
    """Find heavy fat at a mass below that of lean birds of the class."""
    if "mass_g" not in measured.names:
        return
    column = measured.names.index("mass_g")
    levels = fat_levels(sheets.options)
    places = {level: place / (len(levels) - 1) for place, level in enumerate(levels)}
    fat = sheets.captures["fat"].map(places).to_numpy(float)
    scores = measured.scores[:, column]
    heavy = (fat >= HEAVY_FAT_SHARE) & (scores < -spreads)
    heavy &= scores > -measured.ranges[column].limit_low  # else the mass itself is the doubt
    for place in np.flatnonzero(heavy).tolist():
        message = (
            f"heavy fat ({sheets.captures['fat'].iat[place]}) on a bird of "
            f"{measured.values[place, column]:g} g: {measured.usual(place, column)} is usual"
        )
        yield Doubt("captures", place, "fat", "fat_on_lean", "doubtful", message)
