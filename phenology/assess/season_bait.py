"""How far a season's answers hang on what is held of bait, where only baited captures exist."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from phenology.models.season_counts import BAITED_TRAP
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

if TYPE_CHECKING:
    from phenology.models.season import SeasonModel
    from phenology.models.season_counts import SeasonCounts

Array = npt.NDArray[Any]
LEAST_TOLD = 0.5  # in a unit of the answer, below which nothing is said


def only_baited(counts: SeasonCounts) -> bool:
    """Whether bait alone tells birds: no unbaited net and no independent count."""
    return bool((counts.method == BAITED_TRAP).all() and np.ptp(counts.log_nectar) > 0)


def bait_shift(values: Array, slope: Array) -> tuple[float, float]:
    """Change of an answer at the weakest and at the strongest pull of bait held likely.

    The answer at a given pull is the regression of its draws on those of the slope of log catches
    on log nectar, at the slope's 95 % and 5 % quantiles: the poorer the flowers, the more birds
    come to bait, so that the strongest pull is the lowest slope.

    Parameters
    ----------
    values, slope : array, shape (draw,)

    Returns
    -------
    weakest, strongest : float
        In the unit of the answer, from its mean.

    Examples
    --------
    >>> slope = np.linspace(-1.0, 0.0, 101)
    >>> tuple(round(shift, 2) for shift in bait_shift(230 + 10 * slope, slope))
    (4.5, -4.5)
    """
    away = slope - slope.mean()
    spread = away @ away
    change = float(away @ values / spread) if spread > 0 else 0.0
    high, low = np.quantile(away, [HIGH_QUANTILE, LOW_QUANTILE])
    return change * float(high), change * float(low)


def bait_note_days(fitted: SeasonModel, values: Array) -> str:
    """Words on how far bait may move a date; empty where by less than half a day."""
    weakest, strongest = bait_shift(values, _slope(fitted))
    if max(abs(weakest), abs(strongest)) < LEAST_TOLD:
        return ""
    return (
        f"only baited captures: {_moved(strongest)} if bait pulls as hard as is held likely, "
        f"{_moved(weakest)} if it pulls as little"
    )


def bait_note_ratio(fitted: SeasonModel, values: Array) -> str:
    """Words on how far bait may move a ratio of numbers."""
    weakest, strongest = np.exp(bait_shift(np.log(values), _slope(fitted)))
    if max(abs(np.log(weakest)), abs(np.log(strongest))) < np.log(1.05):
        return ""
    return (
        f"only baited captures: {strongest:.2f} times as many if bait pulls as hard as is held "
        f"likely, {weakest:.2f} times if it pulls as little"
    )


def _slope(fitted: SeasonModel) -> Array:
    return np.asarray(fitted.draws_["catchability"].sel(covariate="nectar_at_bait"))


def _moved(days: float) -> str:
    return f"{abs(days):.1f} days {'later' if days > 0 else 'earlier'}"
