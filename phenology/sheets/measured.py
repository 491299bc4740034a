"""Measurements of the captured birds, scored against what is usual for their class."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from phenology.sheets.beside import LEARNED_FROM, Expectation
from phenology.sheets.doubt import Sheets
from phenology.sheets.ranges import (
    FALSE_ALARM_SHARE,
    BirdClasses,
    Floats,
    Ints,
    Range,
    learn_range,
    tail_limit,
)
from phenology.sheets.read import sheet_columns

LEARNED_UNITS = ("mm", "cm", "g", "mg")
_PIECE = 1_000_000  # captures looked at together


@dataclass(frozen=True)
class Measured:
    """Lengths and masses of all captures: scores, and what they are scored against."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    decimals: tuple[int, ...]  # in which each is usually read
    levels: tuple[Floats, ...]  # the values that each takes; the last is missing
    codes: tuple[Ints, ...]  # of each capture, which of them; -1 missing
    scores: Floats  # spreads above the centre of the bird's class
    ranges: tuple[Range, ...]
    classes: BirdClasses
    expectation: Expectation

    def usual(self, place: int, column: int) -> str:
        """Words for what is usual in a bird's class."""
        group, found = self.classes.finest[place], self.ranges[column]
        low = np.exp(found.centre[group] - found.limit_low * found.spread_low[group])
        high = np.exp(found.centre[group] + found.limit_high * found.spread_high[group])
        return f"{low:.3g} to {high:.3g} {self.units[column]}"

    def value(self, places: int | Ints, column: int) -> Any:
        """Value of one capture, or of some."""
        return self.levels[column][self.codes[column][places]]

    def score_of(self, place: int, column: int, value: float) -> float:
        """Score that another value would have for this bird."""
        return self.ranges[column].spreads_of_one(value, int(self.classes.finest[place]))

    def factor(self, place: int, column: int) -> float:
        """Value over the median of the bird's class."""
        centre = self.ranges[column].centre[self.classes.finest[place]]
        return float(self.value(place, column) / np.exp(centre))


def measure_birds(sheets: Sheets, false_alarm_share: float = FALSE_ALARM_SHARE) -> Measured | None:
    """Score every length and mass of the captures.

    Parameters
    ----------
    sheets : Sheets
    false_alarm_share : float, optional
        Share of good cells that may lie beyond a limit of what is usual, each side.

    Returns
    -------
    Measured or None
        None if no measurement has enough birds to learn from.
    """
    read = sheets.reads["captures"]
    classes = BirdClasses.of(*(read.labels(name).codes for name in ("species", "sex", "age")))
    learned = []
    for name, column in sheet_columns("captures", sheets.options).items():
        if column.kind != "number" or column.unit not in LEARNED_UNITS:
            continue
        labels = read.labels(name)
        levels = np.array([*labels.values, np.nan], dtype=float)
        found = learn_range(levels[:-1], labels.codes, classes, false_alarm_share)
        if found is not None:
            learned.append((name, column.unit, levels, labels.codes, found))
    if not learned:
        return None
    names, units, levels_of, codes, ranges = zip(*learned, strict=True)
    scores = _by_column(
        found.spreads(levels[code], classes.finest)
        for levels, code, found in zip(levels_of, codes, ranges, strict=True)
    )
    species = read.labels("species").codes.astype(np.int64)
    return Measured(
        names=names,
        units=units,
        decimals=tuple(
            _usual_decimals(levels, code) for levels, code in zip(levels_of, codes, strict=True)
        ),
        levels=levels_of,
        codes=codes,
        scores=scores,
        ranges=ranges,
        classes=classes,
        expectation=Expectation.learn(scores, species),
    )


def _by_column(columns: Iterable[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    """Captures by measurements, each measurement in one piece of memory."""
    return np.array(list(columns)).T


def _usual_decimals(levels: Floats, codes: Ints) -> int:
    """Fewest decimals that nearly all readings need."""
    known = levels[codes[np.isfinite(levels)[codes]][:10_000]]
    for decimals in range(3):
        if np.mean(np.abs(known - np.round(known, decimals)) < 1e-6) > 0.95:
            return decimals
    return 3


def beyond_usual(measured: Measured) -> npt.NDArray[np.bool_]:
    """Cells beyond what is usual in the bird's class, by themselves."""
    return _by_column(
        (scores > found.limit_high) | (scores < -found.limit_low)
        for scores, found in zip(measured.scores.T, measured.ranges, strict=True)
    )


def odd_beside_others(
    measured: Measured, beyond: npt.NDArray[np.bool_], false_alarm_share: float
) -> npt.NDArray[np.bool_]:
    """Cells that do not fit the bird's other measurements: in each row the worst one at most."""
    odd = np.zeros(beyond.shape, dtype=bool)
    if beyond.shape[1] < 2:
        return odd

    def usual_scores(rows: Ints) -> Floats:
        return np.where(beyond[rows], np.nan, measured.scores[rows])

    learn, captures = measured.expectation, len(beyond)
    sample = np.arange(0, captures, max(captures // LEARNED_FROM, 1))
    conditional = learn.conditional_scores(usual_scores(sample), sample)
    limits = np.empty((2, beyond.shape[1]))
    for column in range(beyond.shape[1]):
        known = conditional[np.isfinite(conditional[:, column]), column]
        limits[0, column] = tail_limit(-known, false_alarm_share)
        limits[1, column] = tail_limit(known, false_alarm_share)
    pieces = (
        np.arange(begin, min(begin + _PIECE, captures)) for begin in range(0, captures, _PIECE)
    )
    lowest = float(limits.min())
    rows = np.concatenate(
        [piece[learn.may_exceed(usual_scores(piece), piece, lowest)] for piece in pieces]
    )
    conditional = learn.conditional_scores(usual_scores(rows), rows)
    away = np.abs(np.nan_to_num(conditional / np.where(conditional < 0, limits[0], limits[1])))
    unfit = np.flatnonzero(away.max(axis=1, initial=0.0) > 1)
    odd[rows[unfit], away[unfit].argmax(axis=1)] = True
    return odd
