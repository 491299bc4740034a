"""Habits of reading that widen errors: digit preference, readers apart, fat against mass."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain

import numpy as np
import numpy.typing as npt

from phenology.sheets.bands import capture_seasons
from phenology.sheets.codes import fat_levels
from phenology.sheets.doubt import Doubt, Sheets
from phenology.sheets.measured import Measured
from phenology.sheets.ranges import Ints

FEWEST_READINGS = 60
PREFERRED_SHARE = 0.45  # of readings at whole or half units, where a fifth would be by chance
READ_IN_HALVES = 0.98  # beyond this the measurement is simply read in whole or half units
FEWEST_OF_READER = 25
READER_SPREADS = 0.5  # a reader's median this many spreads from the others'
READER_CERTAINTY = 5.0
_FARTHEST, _STEPS = 8, 50  # scores are counted up to so many spreads, in so many steps a spread
LEAN_SHARE, HEAVY_SHARE = 0.2, 0.8  # of the scale's levels: fat below is lean, above heavy
FEWEST_FAT_BIRDS = 25
HEAVY_SPREADS = 4.5  # spreads below the mass of heavy birds


@dataclass(frozen=True)
class _Readers:
    """Captures numbered by season of a bander; those without one come last, as nobody's."""

    part: Ints  # of each capture
    reader: Ints  # of each part; -1 nobody

    @classmethod
    def of(cls, sheets: Sheets) -> _Readers:
        readers = sheets.reads["captures"].labels("bander").codes.astype(np.int64)
        seasons = capture_seasons(sheets)
        seasons = seasons - (seasons.min() if len(seasons) else 0)
        width = int(seasons.max(initial=0)) + 1
        nobody = int(readers.max(initial=-1)) + 1
        part = np.where(readers < 0, nobody * width, readers * width + seasons)
        reader = np.append(np.repeat(np.arange(nobody), width), -1)
        return cls(part, reader)

    def count(self, among: npt.NDArray[np.bool_]) -> Ints:
        """Captures of each part among some."""
        return np.bincount(self.part, among, minlength=len(self.reader)).astype(np.int64)

    def groups(self) -> Iterator[tuple[npt.NDArray[np.bool_], str]]:
        """Parts of each bander, then of each of a bander's seasons, with words for them."""
        for reader in range(int(self.reader.max(initial=-1)) + 1):
            yield self.reader == reader, "this bander's readings"
        for part in np.flatnonzero(self.reader >= 0):
            yield np.arange(len(self.reader)) == part, "this bander's season"


def find_digit_preference(
    sheets: Sheets, measured: Measured, preferred: float = PREFERRED_SHARE
) -> Iterable[Doubt]:
    """Find readings mostly at whole or half units: of all, of a bander, of a bander's season."""
    readers = _Readers.of(sheets)
    for column, name in enumerate(measured.names):
        doubled = 2 * measured.levels[column]
        level_at_half = doubled == np.round(doubled)
        codes = measured.codes[column]
        known, at_half = codes >= 0, level_at_half[codes]
        readings, halves = readers.count(known), readers.count(at_half)
        share = halves.sum() / max(readings.sum(), 1)
        if share > READ_IN_HALVES or not (doubled[level_at_half] % 2).any():
            continue
        told = np.zeros(len(readings), dtype=bool)  # a part of what was told is not told again
        everyone = np.ones(len(readings), dtype=bool)
        for parts, words in chain([(everyone, "all readings")], readers.groups()):
            of_parts = int(readings[parts].sum())
            if (told & parts).any() or of_parts < FEWEST_READINGS:
                continue
            share = int(halves[parts].sum()) / of_parts
            if share > preferred:
                told |= parts
                first = int(np.flatnonzero(known & parts[readers.part])[0])
                message = (
                    f"{share:.0%} of {name} in {words} end in .0 or .5, where 20 % would by "
                    "chance: they are often rounded to half units, which widens the measurement "
                    "error"
                )
                yield Doubt("captures", first, name, "digit_preference", "note", message)


def find_readers_apart(
    sheets: Sheets,
    measured: Measured,
    spreads: float = READER_SPREADS,
    certainty: float = READER_CERTAINTY,
) -> Iterable[Doubt]:
    """Find banders whose readings, of all seasons or of one, sit apart from the others'."""
    readers = _Readers.of(sheets)
    if readers.reader.max(initial=-1) < 1:
        return
    for column, name in enumerate(measured.names):
        scores = measured.scores[:, column]
        known = np.flatnonzero(np.isfinite(scores))
        step = np.rint(np.clip(scores[known], -_FARTHEST, _FARTHEST) * _STEPS).astype(np.int64)
        width = 2 * _FARTHEST * _STEPS + 1
        place = readers.part[known] * width + step + _FARTHEST * _STEPS
        counts = np.bincount(place, minlength=len(readers.reader) * width).reshape(-1, width)
        told: set[int] = set()
        for parts, words in readers.groups():
            reader = int(readers.reader[parts][0])
            own = counts[parts].sum(axis=0)
            others = counts[(readers.reader >= 0) & (readers.reader != reader)].sum(axis=0)
            fewest = min(int(own.sum()), int(others.sum()))
            if reader in told or fewest < FEWEST_OF_READER:
                continue
            apart = _median(own) - _median(others)
            error = 1.25 * np.sqrt(1 / own.sum() + 1 / others.sum())
            if abs(apart) > spreads and abs(apart) > certainty * error:
                told.add(reader)
                side = "above" if apart > 0 else "below"
                message = (
                    f"{name} in {words} lie {abs(apart):.1f} standard deviations {side} other "
                    f"banders' for like birds ({own.sum()} readings)"
                )
                first = int(known[parts[readers.part[known]]][0])
                yield Doubt("captures", first, "bander", "reader_apart", "note", message)


def _median(counts: Ints) -> float:
    """Median of scores counted in steps."""
    place = int(np.searchsorted(np.cumsum(counts), counts.sum() / 2))
    return place / _STEPS - _FARTHEST


def find_fat_on_lean(
    sheets: Sheets, measured: Measured, spreads: float = HEAVY_SPREADS
) -> Iterable[Doubt]:
    """Find heavy fat on a bird lighter than lean ones and far lighter than heavy ones."""
    if "mass_g" not in measured.names:
        return
    column = measured.names.index("mass_g")
    levels = fat_levels(sheets.options)
    places = {level: place / (len(levels) - 1) for place, level in enumerate(levels)}
    labels = sheets.reads["captures"].labels("fat")
    share = np.array([places.get(text, np.nan) for text in labels.values] + [np.nan])
    fat = share[labels.codes]
    scores = measured.scores[:, column]
    known = np.isfinite(scores)
    lean, heavy = known & (fat <= LEAN_SHARE), known & (fat >= HEAVY_SHARE)
    if min(lean.sum(), heavy.sum()) < FEWEST_FAT_BIRDS:
        return
    middle, quartile, outer = (float(q) for q in np.quantile(scores[heavy], [0.5, 0.25, 0.05]))
    spread = max((middle - quartile) / 0.674, (middle - outer) / 1.645)  # of a normal distribution
    far = middle - spreads * spread
    light = heavy & (scores < min(far, float(np.median(scores[lean]))))
    light &= scores > -measured.ranges[column].limit_low  # else the mass itself is the doubt
    for place in np.flatnonzero(light).tolist():
        message = (
            f"heavy fat ({sheets.captures['fat'].iat[place]}) on a bird of "
            f"{measured.value(place, column):g} g, lighter than lean ones: "
            f"{measured.usual(place, column)} is usual"
        )
        yield Doubt("captures", place, "fat", "fat_on_lean", "doubtful", message)
