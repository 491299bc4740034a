"""Ranges of a measurement learned from the study itself, by species, sex and age.

Every group has a robust centre and a robust spread to either side, on the logarithmic scale.
Groups of few birds lean on the spread that all groups share. How far a tail may reach is
learned as well, over all groups together, so that the fattest birds of a heavy-tailed
measurement are not called mistakes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri, stdtrit

Floats = npt.NDArray[np.floating]
Ints = npt.NDArray[np.integer]

FALSE_ALARM_SHARE = 1 / 5000  # share of good cells that may lie beyond a limit, each side
FEWEST_BIRDS = 5  # a species with fewer is not judged
OWN_BIRDS = 12  # a class with fewer is judged with its species
SHARED_WEIGHT = 10.0  # birds that the spread shared by all groups counts for
_INNER, _OUTER, _TAIL = 0.75, 0.95, 0.98
_OUTER_BIRDS = 60
_QUANTILE_WORTH = 0.4  # efficiency of the quartile range as a measure of spread
_GRID_STEP = 0.001  # of the logarithm: a tenth of a per cent
_GRID_CELLS = 20_000_000
_FREEDOMS = np.array([4, 5, 7, 10, 15, 30, 200.0])


@dataclass(frozen=True)
class BirdClasses:
    """Birds by species, sex and age: the finest class of each row, and what it belongs to.

    `finest` is -1 where the species is missing. `within` gives, coarsest first, the number of
    each finest class's species, species and sex, and so on.
    """

    finest: Ints
    within: tuple[Ints, ...]

    @classmethod
    def of(cls, *codes: npt.NDArray[np.integer]) -> BirdClasses:
        """Combine integer codes of classes, coarsest first; -1 means missing."""
        combined = np.zeros(len(codes[0]), dtype=np.int64)
        sizes = [int(part.max(initial=-1)) + 2 for part in codes]
        for part, size in zip(codes, sizes, strict=True):
            combined = combined * size + (part + 1)
        present = np.flatnonzero(np.bincount(combined, minlength=1))
        numbered = np.full(int(np.prod(sizes)), -1, dtype=np.int64)
        present = present[present >= np.prod(sizes[1:])]
        numbered[present] = np.arange(len(present))
        within = []
        for depth in range(1, len(sizes) + 1):
            coarse = present // int(np.prod(sizes[depth:]))
            within.append(np.unique(coarse, return_inverse=True)[1].astype(np.int64))
        return cls(numbered[combined], tuple(within))


@dataclass(frozen=True)
class Range:
    """What is usual for a measurement in each class of birds; arrays are by finest class."""

    centre: Floats  # median of the logarithm; missing where the class is not judged
    spread_low: Floats  # one standard deviation downwards, log scale
    spread_high: Floats
    birds: Ints  # that the class is judged by
    limit_low: float  # spreads below the centre that are still usual
    limit_high: float

    def interval(self) -> tuple[Floats, Floats]:
        """Limits of what is usual in each class, in the measurement's unit."""
        low = np.exp(self.centre - self.limit_low * self.spread_low)
        return low, np.exp(self.centre + self.limit_high * self.spread_high)

    def spreads(self, values: Floats, finest: Ints) -> Floats:
        """How many spreads values lie above their class's centre; missing if not judged."""
        judged = (finest >= 0) & (values > 0)
        away = np.log(np.where(judged, values, 1.0)) - self.centre[finest]
        scores = away / np.where(away < 0, self.spread_low[finest], self.spread_high[finest])
        return np.where(judged, scores, np.nan)

    def spreads_of_one(self, value: float, group: int) -> float:
        """How many spreads one value lies above the centre of a class."""
        if value <= 0:
            return float("nan")
        away = math.log(value) - float(self.centre[group])
        return away / float((self.spread_low if away < 0 else self.spread_high)[group])

    def unusual(self, values: Floats, finest: Ints) -> Ints:
        """Rows whose value lies beyond the limits."""
        low, high = self.interval()
        judged = (finest >= 0) & (values > 0)
        with np.errstate(invalid="ignore"):
            beyond = (values < low[finest]) | (values > high[finest])
        return np.flatnonzero(judged & beyond)


def learn_range(
    values: Floats,
    codes: Ints,
    classes: BirdClasses,
    false_alarm_share: float = FALSE_ALARM_SHARE,
    fewest: int = FEWEST_BIRDS,
) -> Range | None:
    """Learn what is usual for a measurement.

    Parameters
    ----------
    values : ndarray
        The values that the measurement takes.
    codes : ndarray of int
        Which of them each bird has; -1 where it was not taken.
    classes : BirdClasses
    false_alarm_share : float, optional
        Share of good cells that may lie beyond a limit, each side.
    fewest : int, optional
        A species with fewer birds is not judged [birds].

    Returns
    -------
    Range or None
        None if no species has enough birds.

    Notes
    -----
    Not to be believed where most values of a species are wrong in one way: then they are
    what is usual.
    """
    usable = np.append((values > 0) & np.isfinite(values), False)  # the last: not taken
    measured = usable[codes] & (classes.finest >= 0)
    if not measured.any():
        return None
    finest = classes.finest
    if not measured.all():
        codes, finest = codes[measured], finest[measured]
    grid = _Grid.of(values, codes, finest, len(classes.within[0]))
    centre, low, high, birds, group = _describe_classes(grid, classes, fewest)
    if not len(centre):
        return None
    least = _rounding(values) / np.exp(centre)
    low, high = (_lean_on_all(side, birds, least) for side in (low, high))
    known = group >= 0
    by_class = [np.where(known, part[group], np.nan) for part in (centre, low, high)]
    away = grid.logs[None, :] - by_class[0][known, None]
    scores = away / np.where(away < 0, by_class[1][known, None], by_class[2][known, None])
    counts = grid.counts[known]
    return Range(
        centre=by_class[0],
        spread_low=by_class[1],
        spread_high=by_class[2],
        birds=np.where(known, birds[group], 0),
        limit_low=tail_limit(-scores.ravel(), false_alarm_share, counts.ravel()),
        limit_high=tail_limit(scores.ravel(), false_alarm_share, counts.ravel()),
    )


@dataclass(frozen=True)
class _Grid:
    """Birds counted by finest class and by logarithm, so that cost follows variety, not rows."""

    logs: Floats
    counts: Ints

    @classmethod
    def of(cls, values: Floats, codes: Ints, finest: Ints, classes: int) -> _Grid:
        """Count birds by class and by the logarithm of the value that each code stands for."""
        used = np.bincount(codes, minlength=len(values)) > 0
        logs = np.log(values, where=used, out=np.full(len(values), np.nan))
        lowest, highest = float(np.nanmin(logs)), float(np.nanmax(logs))
        step = max(_GRID_STEP, (highest - lowest) * classes / _GRID_CELLS)
        place = np.rint((np.where(used, logs, lowest) - lowest) / step).astype(np.int64)
        width = int(place.max()) + 1
        counts = np.bincount(finest * width + place[codes], minlength=classes * width)
        filled = counts.reshape(classes, width)
        there = filled.any(axis=0)
        return cls((lowest + step * np.arange(width))[there], filled[:, there])


def _describe_classes(
    grid: _Grid, classes: BirdClasses, fewest: int
) -> tuple[Floats, Floats, Floats, Ints, Ints]:
    """Centre, spreads and birds of every class with enough birds; for each finest, its class."""
    group = np.full(len(grid.counts), -1, dtype=np.int64)
    described = []
    numbered = 0
    for depth, of in enumerate(classes.within):
        counts = np.zeros((int(of.max()) + 1, grid.counts.shape[1]), dtype=np.int64)
        np.add.at(counts, of, grid.counts)
        enough = counts.sum(axis=1) >= (fewest if depth == 0 else OWN_BIRDS)
        member = enough[of] & (group >= 0 if depth else True)
        described.append(_describe(grid.logs, counts[enough]))
        group[member] = numbered + (np.cumsum(enough) - 1)[of[member]]
        numbered += int(enough.sum())
    centre, low, high, birds = (np.concatenate(part) for part in zip(*described, strict=True))
    return centre, low, high, birds, group


def _describe(logs: Floats, counts: Ints) -> tuple[Floats, Floats, Floats, Ints]:
    """Centre, spread to either side and birds of each class."""
    passed = counts.cumsum(axis=1)
    birds = passed[:, -1] if len(passed) else np.zeros(0, dtype=np.int64)

    def quantile(share: float) -> Floats:
        return np.asarray(logs[(passed < share * birds[:, None]).sum(axis=1)])

    def spread(share: float, sign: int) -> Floats:
        away = sign * (quantile(0.5 + sign * (share - 0.5)) - centre)
        return np.asarray(away / ndtri(share))

    centre = quantile(0.5)
    many = birds >= _OUTER_BIRDS  # of fewer birds the outer quantile is the mistake itself
    low, high = (
        np.where(many, np.maximum(spread(_INNER, sign), spread(_OUTER, sign)), spread(_INNER, sign))
        for sign in (-1, 1)
    )
    return centre, low, high, birds


def _lean_on_all(spread: Floats, birds: Ints, least: Floats) -> Floats:
    """Lean the spread of small groups on the common one and widen it for what they leave open.

    A spread read from quantiles is worth fewer birds than it is read from; far tails of a
    Student's distribution with that many degrees of freedom say how much wider it must be.
    """
    common = _weighted_median(spread, birds)
    pooled = (birds * spread**2 + SHARED_WEIGHT * common**2) / (birds + SHARED_WEIGHT)
    freedom = _QUANTILE_WORTH * birds + SHARED_WEIGHT / 2
    wider = stdtrit(freedom, 1 - FALSE_ALARM_SHARE) / ndtri(1 - FALSE_ALARM_SHARE)
    return np.asarray(np.maximum(np.sqrt(pooled) * wider, least))


def _rounding(values: Floats) -> float:
    """Half the step in which values are read: no spread is smaller."""
    sample = np.sort(values[np.isfinite(values)][:10_000])
    for step in (1.0, 0.5, 0.1, 0.05):
        if np.mean(np.abs(sample / step - np.round(sample / step)) < 1e-6) > 0.9:
            return step / 2
    return 0.005


def _weighted_median(values: Floats, weights: Ints) -> float:
    order = np.argsort(values)
    passed = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(passed, passed[-1] / 2)])


def tail_limit(
    scores: Floats,
    false_alarm_share: float = FALSE_ALARM_SHARE,
    counts: Ints | None = None,
) -> float:
    """Where the upper tail of scores ends, if only `false_alarm_share` of good ones lie beyond.

    The tail is a Student's, its weight read from two outer quantiles that a few mistakes
    cannot move, and never lighter than a normal one.

    Parameters
    ----------
    scores : ndarray
        Standard scores.
    false_alarm_share : float, optional
    counts : ndarray, optional
        How often each score occurs; once if not given.
    """
    counts = np.ones(len(scores), dtype=np.int64) if counts is None else counts
    scores, counts = scores[counts > 0], counts[counts > 0]
    order = np.argsort(scores)
    scores, passed = scores[order], np.cumsum(counts[order])
    if not len(passed) or passed[-1] < 50:
        return float(ndtri(1 - false_alarm_share) * 1.5)
    birds = int(passed[-1])
    shoulder, tail = scores[np.searchsorted(passed, [0.9 * birds, _TAIL * birds])]
    ratios = stdtrit(_FREEDOMS, _TAIL) / stdtrit(_FREEDOMS, 0.9)
    freedom = float(_FREEDOMS[np.argmin(np.abs(ratios - tail / max(shoulder, 1e-9)))])
    reach = stdtrit(freedom, 1 - false_alarm_share) / stdtrit(freedom, _TAIL)
    few = 1.0 + 10.0 / birds
    return float(max(tail * reach, ndtri(1 - false_alarm_share)) * few)
