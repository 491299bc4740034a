"""Habits of reading that widen errors: digit preference, readers apart, fat against mass."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import numpy.typing as npt

from phenology.sheets.bands import capture_seasons
from phenology.sheets.codes import fat_levels
from phenology.sheets.doubt import Doubt, Sheets
from phenology.sheets.measured import Measured
from phenology.sheets.ranges import Floats, Ints

FEWEST_READINGS = 60
PREFERRED_SHARE = 0.45  # of readings at whole or half units, where a fifth would be by chance
READ_IN_HALVES = 0.98  # beyond this the measurement is simply read in whole or half units
FEWEST_OF_READER = 25
READER_SPREADS = 0.5  # a reader's median this many spreads from the others'
READER_CERTAINTY = 5.0
LEAN_SHARE, HEAVY_SHARE = 0.2, 0.8  # of the scale's levels: fat below is lean, above heavy
FEWEST_FAT_BIRDS = 25
HEAVY_SPREADS = 4.5  # spreads below the mass of heavy birds


def find_digit_preference(
    sheets: Sheets, measured: Measured, preferred: float = PREFERRED_SHARE
) -> Iterable[Doubt]:
    """Find readings mostly at whole or half units: of all, of a bander, of a bander's season."""
    for column, name in enumerate(measured.names):
        values = measured.values[:, column]
        halves = np.isfinite(values) & (np.abs(2 * values - np.round(2 * values)) < 1e-6)
        known = np.isfinite(values)
        of_all = halves.sum() / max(int(known.sum()), 1)
        if (values[known] == np.round(values[known])).all() or of_all > READ_IN_HALVES:
            continue
        everyone = np.where(known, 0, -1)
        groups = [(everyone, "all readings"), *_readers(sheets)]
        told = np.zeros(len(values), dtype=bool)  # a part of what was told is not told again
        for group, words in groups:
            for number, share in _shares(group, known & ~told, halves, FEWEST_READINGS):
                if share > preferred:
                    members = known & (group == number)
                    told |= members
                    yield _habit(
                        members,
                        name,
                        "digit_preference",
                        f"{share:.0%} of {name} in {words} end in .0 or .5, where 20 % would by "
                        "chance: they are often rounded to half units, which widens the "
                        "measurement error",
                    )


def _readers(sheets: Sheets) -> list[tuple[Ints, str]]:
    """Captures numbered by bander, then by bander and season; -1 where none is named."""
    readers = sheets.reads["captures"].labels("bander").astype(np.int64)
    if readers.max(initial=-1) < 0:
        return []
    seasons = np.unique(capture_seasons(sheets), return_inverse=True)[1]
    by_season = np.where(readers < 0, -1, readers * (int(seasons.max(initial=0)) + 1) + seasons)
    return [(readers, "this bander's readings"), (by_season, "this bander's season")]


def _shares(
    group: Ints, wanted: npt.NDArray[np.bool_], marked: npt.NDArray[np.bool_], fewest: int
) -> Iterator[tuple[int, float]]:
    """Share of marked rows in each group with enough rows."""
    inside = wanted & (group >= 0)
    rows = np.bincount(group[inside], minlength=1)
    hits = np.bincount(group[inside & marked], minlength=len(rows))
    for number in np.flatnonzero(rows >= fewest).tolist():
        yield number, float(hits[number] / rows[number])


def _habit(members: npt.NDArray[np.bool_], column: str, kind: str, message: str) -> Doubt:
    """Tell a habit at the first row that shows it."""
    return Doubt("captures", int(np.flatnonzero(members)[0]), column, kind, "note", message)


def find_readers_apart(
    sheets: Sheets,
    measured: Measured,
    spreads: float = READER_SPREADS,
    certainty: float = READER_CERTAINTY,
) -> Iterable[Doubt]:
    """Find banders whose readings, of all seasons or of one, sit apart from the others'."""
    groups = _readers(sheets)
    if not groups or groups[0][0].max(initial=-1) < 1:
        return
    of_reader = groups[0][0]
    for column, name in enumerate(measured.names):
        scores = measured.scores[:, column]
        known = np.isfinite(scores) & (of_reader >= 0)
        told: set[int] = set()
        for group, words in groups:
            rows = np.flatnonzero(known)
            rows = rows[np.argsort(group[rows], kind="stable")]
            for own in np.split(rows, np.flatnonzero(np.diff(group[rows])) + 1):
                if len(own) < FEWEST_OF_READER or int(of_reader[own[0]]) in told:
                    continue
                apart, error = _apart(scores, own, rows[of_reader[rows] != of_reader[own[0]]])
                if abs(apart) > spreads and abs(apart) > certainty * error:
                    told.add(int(of_reader[own[0]]))
                    side = "above" if apart > 0 else "below"
                    message = (
                        f"{name} in {words} lie {abs(apart):.1f} standard deviations {side} other "
                        f"banders' for like birds ({len(own)} readings)"
                    )
                    yield Doubt(
                        "captures", int(own.min()), "bander", "reader_apart", "note", message
                    )


def _apart(scores: Floats, own: Ints, others: Ints) -> tuple[float, float]:
    """Difference of medians of scores, and its standard error."""
    if len(others) < FEWEST_OF_READER:
        return 0.0, np.inf
    error = 1.25 * np.sqrt(1 / len(own) + 1 / len(others))
    return float(np.median(scores[own]) - np.median(scores[others])), float(error)


def find_fat_on_lean(
    sheets: Sheets, measured: Measured, spreads: float = HEAVY_SPREADS
) -> Iterable[Doubt]:
    """Find heavy fat on a bird lighter than lean ones and far lighter than heavy ones."""
    if "mass_g" not in measured.names:
        return
    column = measured.names.index("mass_g")
    levels = fat_levels(sheets.options)
    places = {level: place / (len(levels) - 1) for place, level in enumerate(levels)}
    fat = sheets.captures["fat"].map(places).to_numpy(float)
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
            f"{measured.values[place, column]:g} g, lighter than lean ones: "
            f"{measured.usual(place, column)} is usual"
        )
        yield Doubt("captures", place, "fat", "fat_on_lean", "doubtful", message)
