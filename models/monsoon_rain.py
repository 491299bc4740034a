"""Onset and withdrawal of the monsoon by the turning points of cumulated rain, and its strength.

Days are positions in a season's arrays, from 0; who calls knows the calendar.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.models.monsoon_turn import (
    LEAST_DAYS_TO_LEARN,
    MISSING_SHARE_ALLOWED,
    WET_DAY_MM,
    Days,
    Turn,
    days_near,
    share_of_news,
    turn_bounds,
)

REFERENCE_SHARE = 0.2  # of the way from the dry season's daily rain to the wet season's
LEAST_SHARE_OF_NORMAL = 0.35  # a season with less of the usual rain in its rise has no onset


@dataclass(frozen=True)
class RainLevels:
    """A site's rain before and during the monsoon, learned from all its seasons.

    Attributes
    ----------
    cap_mm : float
        Rain of a day beyond this counts no further, so that no single storm makes a season.
    reference_mm : float
        Daily rain whose accumulation the season's is held against.
    dry_chance, wet_chance : float
        Share of wet days before the onset and between onset and withdrawal.
    persistence : float
        Correlation of wet and dry days from one day to the next, the season's course removed.
    normal_mm : float
        Median over seasons of the rain between onset and withdrawal.
    """

    cap_mm: float
    reference_mm: float
    dry_chance: float
    wet_chance: float
    persistence: float
    normal_mm: float


def learn_rain_levels(rain_mm: Days) -> RainLevels | None:
    """Learn the levels by turns: find each season's rise, then the rain before and during it.

    Parameters
    ----------
    rain_mm : array (season, day)
        [mm], missing as NaN.

    Returns
    -------
    RainLevels or None
        None where it never rained or nothing is known.
    """
    known = np.isfinite(rain_mm)
    wet = np.nan_to_num(rain_mm) >= WET_DAY_MM
    if known.sum() < LEAST_DAYS_TO_LEARN or not wet.any():
        return None
    cap = float(np.median(rain_mm[wet]))
    capped = np.minimum(rain_mm, cap)
    reference = float(np.nanmean(capped))
    day = np.arange(rain_mm.shape[1])
    for _ in range(3):
        start, end = _largest_rise(_departure(capped, reference))
        during = known & (day >= start[:, None]) & (day <= end[:, None])
        before = known & (day < start[:, None])
        if not before.any() or not during.any():
            return None
        low, high = capped[before].mean(), capped[during].mean()
        reference = float(low + REFERENCE_SHARE * (high - low))
    dry_chance = float((wet[before].sum() + 0.5) / (before.sum() + 1))
    wet_chance = float((wet[during].sum() + 0.5) / (during.sum() + 1))
    residual: Days = wet - np.where(during, wet_chance, dry_chance)
    spread = float(np.mean(residual**2))
    persistence = float(np.mean(residual[:, :-1] * residual[:, 1:])) / spread
    fallen = np.where(during, np.nan_to_num(rain_mm), 0.0).sum(axis=1)
    return RainLevels(
        cap,
        reference,
        dry_chance,
        max(wet_chance, 1.01 * dry_chance),
        float(np.clip(persistence, 0.0, 0.95)),
        float(np.median(fallen)),
    )


def rain_turns(rain_mm: Days, levels: RainLevels) -> tuple[Turn, Turn]:
    """Onset and withdrawal by rain: first and last day of the largest rise of its departure.

    With A(d) = Σ_{t≤d} [min(r_t, cap) − r̄], the onset is the day after the lowest A before the
    largest rise, the withdrawal the day that ends it. Intervals are posteriors of the day on
    which the chance of a wet day changed.

    Parameters
    ----------
    rain_mm : array (day,)
        [mm], missing as NaN; from the dry season to after the withdrawal.
    levels : RainLevels

    Returns
    -------
    onset, withdrawal : Turn
        No day when the rise brings less than a third of the usual rain, or when more than a
        fifth of the days are missing.

    Notes
    -----
    The published form takes the annual mean for r̄ and no cap. Where winters are wet that turns
    days too late, and one storm can decide; with the reference a fifth of the way from dry to
    wet and the cap at the median wet day, simulated seasons showed the least bias.

    References
    ----------
    Liebmann, B. & Marengo, J. A. (2001). Journal of Climate 14:4308-4318.
    https://doi.org/10.1175/1520-0442(2001)014<4308:IVOTRS>2.0.CO;2
    """
    if np.isfinite(rain_mm).mean() < 1 - MISSING_SHARE_ALLOWED:
        missing = Turn(None, reason="too many days without rain readings")
        return missing, missing
    capped = np.minimum(rain_mm, levels.cap_mm)
    starts, ends = _largest_rise(_departure(capped[None, :], levels.reference_mm))
    first, last = int(starts[0]), int(ends[0])
    fallen = float(np.nansum(rain_mm[first : last + 1]))
    if fallen < LEAST_SHARE_OF_NORMAL * levels.normal_mm:
        weak = Turn(None, reason=f"no lasting rise of rain: {fallen:.0f} mm at most")
        return weak, weak
    onset = Turn(first, *_wet_interval(rain_mm, first, levels))
    end = rain_mm.size - 1
    low, high = _wet_interval(rain_mm[::-1], end - last, levels)
    return onset, Turn(last, end - high, end - low)


def _departure(capped_mm: Days, reference_mm: float) -> Days:
    """Departure of cumulated rain (season, day) from an even accumulation [mm]."""
    return np.cumsum(np.nan_to_num(capped_mm, nan=reference_mm) - reference_mm, axis=1)


def _largest_rise(
    departure: Days,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First and last day of the largest rise in each row (row, day)."""
    before = np.concatenate([np.zeros((len(departure), 1)), departure], axis=1)
    lowest = np.minimum.accumulate(before, axis=1)
    end = np.maximum((before - lowest).argmax(axis=1), 1)
    upto = np.where(np.arange(before.shape[1])[None, :] < end[:, None], before, np.inf)
    start = upto.shape[1] - 1 - upto[:, ::-1].argmin(axis=1)
    return start.astype(np.int64), (end - 1).astype(np.int64)


def _wet_interval(rain_mm: Days, start: int, levels: RainLevels) -> tuple[float, float]:
    """Bounds of the day on which wet days became common, within three weeks of `start`."""
    near, first = days_near(rain_mm, start)
    wet_gain = np.log(levels.wet_chance / levels.dry_chance)
    dry_gain = np.log((1 - levels.wet_chance) / (1 - levels.dry_chance))
    wet, known = np.nan_to_num(near) >= WET_DAY_MM, np.isfinite(near)
    gain = known * (wet * wet_gain + ~wet * dry_gain) * share_of_news(levels.persistence)
    after = np.cumsum(gain[::-1])[::-1]  # log odds of a change on each day, up to a constant
    return turn_bounds(np.exp(after - after.max()), first, start)


def longest_break(rain_mm: Days, wet_day_mm: float = WET_DAY_MM) -> int:
    """Most days on end without a wet day; a missing day ends no break.

    Examples
    --------
    >>> longest_break(np.array([5.0, 0.0, 0.4, 3.0, 0.0]))
    2
    """
    wet = np.nan_to_num(rain_mm, nan=0.0) >= wet_day_mm
    edges = np.flatnonzero(np.concatenate([[True], wet, [True]]))
    return int(np.diff(edges).max() - 1)


def total_with_gaps(rain_mm: Days) -> tuple[float, float, float]:
    """Season's rain with bounds for the days that were not read.

    Missing days are taken to be like the known ones: estimate = known sum / share known, bounds
    at ±1.645 times the spread of a sum of that many days, never below the known sum.

    Returns
    -------
    estimate, low, high : float
        [mm]; equal without gaps, NaN when more than a fifth of the days are missing.

    Examples
    --------
    >>> total_with_gaps(np.array([2.0, 0.0, 4.0]))
    (6.0, 6.0, 6.0)
    """
    known = np.isfinite(rain_mm)
    missing = int((~known).sum())
    if missing > MISSING_SHARE_ALLOWED * rain_mm.size:
        return np.nan, np.nan, np.nan
    fallen = float(rain_mm[known].sum())
    expected = missing * float(rain_mm[known].mean())
    spread = 1.645 * missing**0.5 * float(rain_mm[known].std())
    return fallen + expected, max(fallen, fallen + expected - spread), fallen + expected + spread
