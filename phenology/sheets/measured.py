"""Doubts about measurements: values implausible for the species, sex and age of the bird."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np
import pandas as pd

from phenology.sheets.doubt import Doubt, Sheets
from phenology.sheets.ranges import FALSE_ALARM_SHARE, BirdClasses, Range, learn_range
from phenology.sheets.read import sheet_columns

# Beyond these factors of the group's median no living, flying bird of the group lies: the
# heaviest birds weigh up to 2.75 times their lean mass (Hedenström & Alerstam 1992, J. Exp.
# Biol. 164:19); lengths of one species, sex and age differ by far less.
MASS_FACTORS = (0.35, 3.5)
LENGTH_FACTORS = (0.5, 2.0)
BIRDS_FOR_IMPOSSIBLE = 20

_LEARNED_UNITS = ("mm", "cm", "g", "mg")
_NINES = re.compile(r"9{1,5}|9{1,3}\.9{1,2}")


def measurements(sheets: Sheets) -> dict[str, str]:
    """Lengths and masses of the captures that the study has: name and unit."""
    captures = sheets.captures
    return {
        name: column.unit
        for name, column in sheet_columns("captures", sheets.options).items()
        if column.kind == "number"
        and column.unit in _LEARNED_UNITS
        and captures[name].notna().any()
    }


def bird_classes(sheets: Sheets) -> BirdClasses:
    """Classes of the captured birds by species, sex and age."""
    read = sheets.reads["captures"]
    return BirdClasses.of(*(read.labels(name) for name in ("species", "sex", "age")))


def learn_ranges(
    sheets: Sheets, classes: BirdClasses, false_alarm_share: float = FALSE_ALARM_SHARE
) -> dict[str, Range]:
    """Learn the range of every measurement that the study has."""
    learned = {
        name: learn_range(sheets.captures[name].to_numpy(float), classes, false_alarm_share)
        for name in measurements(sheets)
    }
    return {name: found for name, found in learned.items() if found is not None}


def find_implausible(
    sheets: Sheets, classes: BirdClasses, ranges: dict[str, Range]
) -> Iterable[Doubt]:
    """Find measurements beyond what is usual in their group, and fillers among them."""
    captures = sheets.captures
    read = sheets.reads["captures"]
    for name, unit in measurements(sheets).items():
        if name not in ranges:
            continue
        learned = ranges[name]
        values = captures[name].to_numpy(float)
        lows, highs = learned.interval()
        for place in learned.unusual(values, classes.finest).tolist():
            group = classes.finest[place]
            low, high = lows[group], highs[group]
            usual = f"{low:.3g} to {high:.3g} {unit} is usual for {_bird(sheets, place)}"
            if _NINES.fullmatch(read.written(place, name).strip()):
                message = f"a filler where a value is expected: {usual}"
                yield Doubt("captures", place, name, "filler", "impossible", message, "", "blanked")
                continue
            factor = float(values[place] / np.exp(learned.centre[group]))
            least, most = MASS_FACTORS if unit in ("g", "mg") else LENGTH_FACTORS
            sure = learned.birds[group] >= BIRDS_FOR_IMPOSSIBLE and not least < factor < most
            yield Doubt(
                "captures",
                place,
                name,
                "implausible",
                "impossible" if sure else "doubtful",
                f"{values[place]:g} is implausible: {usual}",
                "",
                "blanked" if sure else "kept",
            )


def _bird(sheets: Sheets, place: int) -> str:
    """Words for the class of a captured bird."""
    captures = sheets.captures
    words = [captures[name].iat[place] for name in ("species", "age", "sex")]
    return " ".join(word for word in words if isinstance(word, str))
