"""A day on which a season turned, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

Days = npt.NDArray[np.float64]

WET_DAY_MM = 1.0
LEAST_DAYS_TO_LEARN = 100
MISSING_SHARE_ALLOWED = 0.2
SEARCH_DAYS = 21  # the interval is sought within this many days of the estimate


@dataclass(frozen=True)
class Turn:
    """A day on which the season turned, with its 90 % interval; `day` is None for no turn.

    Attributes
    ----------
    day : int or None
        Position in the season.
    low, high : float
        Bounds; NaN without a day.
    false_starts : tuple of int
        First days of runs that were followed by a fall.
    reason : str
        Why there is no day, in words; else empty.
    """

    day: int | None
    low: float = np.nan
    high: float = np.nan
    false_starts: tuple[int, ...] = ()
    reason: str = ""


def days_near(values: Days, day: int) -> tuple[Days, int]:
    """The days around one, and the position of their first."""
    first = max(0, day - SEARCH_DAYS)
    return values[first : day + SEARCH_DAYS + 1], first


def share_of_news(persistence: float) -> float:
    """What a day of persistent noise tells, as a share of an independent day's news."""
    return (1 - persistence) / (1 + persistence)


def turn_bounds(weight: Days, first: int, day: int) -> tuple[float, float]:
    """Central 90 % of weights on the days from `first`, stretched to hold `day`."""
    share = np.cumsum(weight) / weight.sum()
    low = first + int(np.searchsorted(share, LOW_QUANTILE))
    high = first + int(np.searchsorted(share, HIGH_QUANTILE))
    return float(min(low, day)), float(max(high, day))
