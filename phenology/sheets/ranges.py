"""Ranges of a measurement learned from the study itself, by species, sex and age.

Every group has a robust centre and a robust spread to either side, on the logarithmic scale.
Groups of few birds lean on the spread that all groups share. How far a tail may reach is
learned as well, over all groups together, so that the fattest birds of a heavy-tailed
measurement are not called mistakes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

FALSE_ALARM_SHARE = 1 / 5000  # share of good cells that may lie beyond a limit, each side
FEWEST_BIRDS = 5  # a species with fewer is not judged
OWN_BIRDS = 12  # a class with fewer is judged with its species
SHARED_WEIGHT = 10.0  # birds that the spread shared by all groups counts for
_INNER, _OUTER, _TAIL = 0.75, 0.95, 0.98
_GRID_STEP = 0.001  # of the logarithm: a tenth of a per cent
_GRID_CELLS = 20_000_000
_FREEDOMS = np.array([4, 5, 7, 10, 15, 30, 200.0])


@dataclass(frozen=True)
class Range:
    """What is usual for a measurement in each group of birds."""

    group: Ints  # group of each row, -1 where it is not judged
    centre: Floats  # by group: median of the logarithm
    spread_low: Floats  # by group: one standard deviation downwards, log scale
    spread_high: Floats
    birds: Ints
    limit_low: float  # spreads below the centre that are still usual
    limit_high: float

    def scores(self, values: Floats) -> Floats:
        """How far each value lies from its group's centre, in units of the usual limit."""
        return self.spreads(values) / np.where(
            self.spreads(values) < 0, self.limit_low, self.limit_high
        )

    def spreads(self, values: Floats) -> Floats:
        """How many spreads each value lies above its group's centre, missing if not judged."""
        return standard_scores(values, self.group, self.centre, self.spread_low, self.spread_high)

    def interval(self, group: int) -> tuple[float, float]:
        """Limits of what is usual in a group, in the measurement's unit."""
        low = self.centre[group] - self.limit_low * self.spread_low[group]
        high = self.centre[group] + self.limit_high * self.spread_high[group]
        return float(np.exp(low)), float(np.exp(high))


def standard_scores(
    values: Floats, group: Ints, centre: Floats, low: Floats, high: Floats
) -> Floats:
    """Score values against their group's centre and two-sided spread, on the log scale."""
    judged = (group >= 0) & (values > 0)
    scores = np.full(len(values), np.nan)
    of = group[judged]
    away = np.log(values[judged]) - centre[of]
    scores[judged] = away / np.where(away < 0, low[of], high[of])
    return scores


def learn_range(
    values: Floats,
    classes: pd.DataFrame,
    false_alarm_share: float = FALSE_ALARM_SHARE,
    fewest: int = FEWEST_BIRDS,
) -> Range | None:
    """Learn what is usual for a measurement.

    Parameters
    ----------
    values : ndarray
        The measurement, one a bird; missing where it was not taken.
    classes : pandas.DataFrame
        Integer codes of the bird's classes, coarsest first (species, sex, age); -1 if missing.
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
    measured = np.isfinite(values) & (values > 0)
    group, learned = _classes_with_enough(values, measured, classes, fewest)
    if not learned:
        return None
    centre, low, high, birds = (np.concatenate(part) for part in zip(*learned, strict=True))
    least = _rounding(values[measured]) / np.exp(centre)
    low, high = (_lean_on_all(side, birds, least) for side in (low, high))
    scores = standard_scores(values, group, centre, low, high)
    scores = scores[np.isfinite(scores)]
    return Range(
        group=group,
        centre=centre,
        spread_low=low,
        spread_high=high,
        birds=birds,
        limit_low=tail_limit(-scores, false_alarm_share),
        limit_high=tail_limit(scores, false_alarm_share),
    )


def _classes_with_enough(
    values: Floats, measured: npt.NDArray[np.bool_], classes: pd.DataFrame, fewest: int
) -> tuple[Ints, list[tuple[Floats, Floats, Floats, Ints]]]:
    """Number the finest class of each bird that has enough measured birds, and describe it."""
    group = np.full(len(classes), -1, dtype=np.int64)
    code = np.zeros(len(classes), dtype=np.int64)
    logs = np.log(np.where(measured, values, 1.0))
    described = []
    numbered = 0
    for depth, name in enumerate(classes.columns):
        part = classes[name].to_numpy(np.int64)
        code = code * (int(part.max(initial=0)) + 2) + part + 1
        counts = np.bincount(code[measured], minlength=int(code.max(initial=0)) + 1)
        enough = counts >= (fewest if depth == 0 else OWN_BIRDS)
        member = enough[code] & ((part >= 0) if depth == 0 else (group >= 0))
        in_class = np.cumsum(enough) - 1
        if not (member & measured).any():
            continue
        of = in_class[code]
        described.append(_describe(logs[member & measured], of[member & measured]))
        group[member] = numbered + of[member]
        numbered += len(described[-1][0])
    return group, described


def _describe(logs: Floats, group: Ints) -> tuple[Floats, Floats, Floats, Ints]:
    """Centre, spread to either side and birds of each group, by counting on a fine grid."""
    groups = int(group.max()) + 1
    lowest = float(logs.min())
    step = max(_GRID_STEP, (float(logs.max()) - lowest) * groups / _GRID_CELLS)
    place = np.rint((logs - lowest) / step).astype(np.int64)
    width = int(place.max()) + 1
    counts = np.bincount(group * width + place, minlength=groups * width).reshape(groups, width)
    passed = counts.cumsum(axis=1)
    birds = passed[:, -1]

    def quantile(share: float) -> Floats:
        return lowest + step * (passed < share * birds[:, None]).sum(axis=1)

    centre = quantile(0.5)
    sides = [
        np.maximum(
            sign * (quantile(0.5 + sign * (_INNER - 0.5)) - centre) / stats.norm.ppf(_INNER),
            sign * (quantile(0.5 + sign * (_OUTER - 0.5)) - centre) / stats.norm.ppf(_OUTER),
        )
        for sign in (-1, 1)
    ]
    return centre, sides[0], sides[1], birds


def _lean_on_all(spread: Floats, birds: Ints, least: Floats) -> Floats:
    """Shrink the spread of small groups to the common one; a small group's centre is uncertain."""
    common = _weighted_median(spread, birds)
    pooled = (birds * spread**2 + SHARED_WEIGHT * common**2) / (birds + SHARED_WEIGHT)
    return np.maximum(np.sqrt(pooled * (1.0 + 1.57 / birds)), least)


def _rounding(values: Floats) -> float:
    """Half the step in which values are read: no spread is smaller."""
    sample = np.unique(values[:10_000])
    for step in (1.0, 0.5, 0.1, 0.05):
        if np.mean(np.abs(sample / step - np.round(sample / step)) < 1e-6) > 0.9:
            return step / 2
    return 0.005


def _weighted_median(values: Floats, weights: Ints) -> float:
    order = np.argsort(values)
    passed = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(passed, passed[-1] / 2)])


def tail_limit(scores: Floats, false_alarm_share: float = FALSE_ALARM_SHARE) -> float:
    """Where the upper tail of scores ends, if only `false_alarm_share` of good ones lie beyond.

    The tail is a Student's, its weight read from two outer quantiles that a few mistakes
    cannot move, and never lighter than a normal one.
    """
    count = len(scores)
    normal = stats.norm.ppf([0.9, _TAIL, 1 - false_alarm_share])
    if count < 50:
        return float(normal[2] * 1.5)
    shoulder, tail = np.quantile(scores, [0.9, _TAIL])
    ratio = tail / max(shoulder, 1e-9)
    ratios = stats.t.ppf(_TAIL, _FREEDOMS) / stats.t.ppf(0.9, _FREEDOMS)
    freedom = float(_FREEDOMS[np.argmin(np.abs(ratios - ratio))])
    reach = stats.t.ppf(1 - false_alarm_share, freedom) / stats.t.ppf(_TAIL, freedom)
    few = 1.0 + 10.0 / count
    return float(max(tail * reach, normal[2]) * few)
