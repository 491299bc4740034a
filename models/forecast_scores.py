"""How good forecasts of counts were: CRPS, coverage, day of most birds."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[Any]
COVERED = (0.80, 0.95)


def crps(drawn: Array, count: Array) -> Array:
    """Continuous ranked probability score of draws, fair to their finite number.

    CRPS = E|X − y| − ½E|X − X′|, the second mean over pairs of different draws.

    Parameters
    ----------
    drawn : array, shape (draw, row)
    count : array, shape (row,)

    Returns
    -------
    array, shape (row,)
        In birds; lower is better.

    References
    ----------
    Gneiting, T. & Raftery, A. E. (2007). Strictly proper scoring rules, prediction, and
    estimation. JASA 102:359. doi:10.1198/016214506000001437

    Examples
    --------
    >>> crps(np.array([[1.0], [2.0], [3.0], [4.0]]), np.array([2.5])).round(6).tolist()
    [0.166667]
    """
    number = len(drawn)
    ordered = np.sort(np.asarray(drawn, float), axis=0)
    rank = 2 * np.arange(1, number + 1) - number - 1
    spread = np.tensordot(rank, ordered, axes=1) / (number * (number - 1))
    return np.asarray(np.abs(ordered - count).mean(0) - spread)


def covered(drawn: Array, count: Array, share: float) -> Array:
    """Whether each count lies inside the central interval of that share of the draws."""
    low, high = np.quantile(drawn, [(1 - share) / 2, (1 + share) / 2], axis=0)
    return np.asarray((low <= count) & (count <= high))


def skill(score: float, baseline: float) -> float:
    """1 − score / baseline: 0 is no better, below 0 worse."""
    return 1 - score / baseline if baseline > 0 else 0.0


def score_table(rows: pd.DataFrame, drawn: Array, name: str) -> pd.DataFrame:
    """Scores of one forecast by group.

    Parameters
    ----------
    rows : DataFrame
        group, site, season, day, count.
    drawn : array, shape (draw, row)
    name : str
        Of the forecast.

    Returns
    -------
    DataFrame
        forecast, group, rows, birds, crps, cover_80, cover_95, peak_error_days: mean absolute
        error of the day of most birds among the days sampled, over site-seasons with ten birds or
        more.
    """
    count = rows["count"].to_numpy(dtype=float)
    told = rows[["group"]].assign(crps=crps(drawn, count))
    for share in COVERED:
        told[f"cover_{share:.0%}".replace("%", "")] = covered(drawn, count, share)
    table = told.groupby("group").mean().assign(rows=told.groupby("group").size())
    table["birds"] = rows.groupby("group")["count"].sum()
    table["peak_error_days"] = _peak_errors(rows, drawn.mean(0))
    return table.reset_index().assign(forecast=name)


def _peak_errors(rows: pd.DataFrame, expected: Array, fewest: int = 10) -> pd.Series:
    errors: dict[str, list[float]] = {}
    for (group, _, _), place in rows.groupby(["group", "site", "season"]).indices.items():
        count = rows["count"].to_numpy()[place]
        if count.sum() >= fewest:
            days = rows["day"].to_numpy(dtype=float)[place]
            weights = np.where(count == count.max(), 1.0, 0.0)
            seen = float(np.average(days, weights=weights))
            errors.setdefault(group, []).append(abs(days[expected[place].argmax()] - seen))
    means = {group: float(np.mean(values)) for group, values in errors.items()}
    return pd.Series(means, dtype=float)
