"""Capture histories summed: releases, first recaptures, returns."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.quantities import INTERVAL

Counts = npt.NDArray[np.int64]


class RecaptureTable(NamedTuple):
    """Releases and first recaptures, of newly marked birds and of birds caught before.

    Attributes
    ----------
    released : ndarray, (2, T − 1)
        Birds released on each occasion but the last; first row newly marked.
    recaught : ndarray, (2, T − 1, T − 1)
        Of those, first caught again on occasion 2 … T.
    caught_last : int
        Birds caught on the last occasion; they tell about seniority only.
    """

    released: Counts
    recaught: Counts
    caught_last: int


def recapture_table(histories: npt.ArrayLike) -> RecaptureTable:
    """Sum histories of capture into a table of releases and first recaptures.

    Parameters
    ----------
    histories : array-like of bool, (birds, T)
        Whether each bird was caught on each occasion.

    Examples
    --------
    >>> table = recapture_table([[1, 0, 1], [1, 1, 0], [0, 1, 1]])
    >>> table.released.tolist(), table.recaught[0].tolist(), table.caught_last
    ([[2, 1], [0, 1]], [[1, 1], [0, 1]], 2)
    """
    caught = np.asarray(histories, dtype=bool)
    occasions = caught.shape[1]
    released = np.zeros((2, occasions - 1), dtype=int)
    recaught = np.zeros((2, occasions - 1, occasions - 1), dtype=int)
    for bird in caught:
        seen = np.flatnonzero(bird)
        for order, occasion in enumerate(seen):
            kind = int(order > 0)
            if occasion < occasions - 1:
                released[kind, occasion] += 1
            if order + 1 < len(seen):
                recaught[kind, occasion, seen[order + 1] - 1] += 1
    return RecaptureTable(released, recaught, int(caught[:, -1].sum()))


def reversed_in_time(table: RecaptureTable) -> RecaptureTable:
    """The table read from the last occasion to the first; its "survival" is seniority.

    Seniority is the chance that a bird present now was here an occasion before. The table loses
    who was newly marked, and what had been the first occasion becomes the last.

    Examples
    --------
    >>> table = recapture_table([[1, 0, 1], [1, 1, 0], [0, 1, 1]])
    >>> reversed_in_time(table).released.sum(axis=0).tolist()
    [2, 2]
    """
    caught = table.released.sum(axis=0)
    released = np.concatenate([[table.caught_last], caught[:0:-1]])
    recaught = table.recaught.sum(axis=0)[::-1, ::-1].T
    nothing = np.zeros_like(released), np.zeros_like(recaught)
    return RecaptureTable(
        np.stack([released, nothing[0]]), np.stack([recaught, nothing[1]]), int(caught[0])
    )


def return_rate(
    first_caught: npt.ArrayLike, seen_later: npt.ArrayLike, last_season: int
) -> pd.DataFrame:
    """Share of birds caught again in a later season, by season of first capture.

    Parameters
    ----------
    first_caught : array-like of int, (birds,)
        Season of first capture.
    seen_later : array-like of bool, (birds,)
        Whether the bird was caught in any later season.
    last_season : int
        Last season sampled: its birds have had no chance to return.

    Returns
    -------
    DataFrame
        season, birds, estimate, low, high (exact binomial, 90 %), refused (why, in words).

    Notes
    -----
    A return rate mixes survival, fidelity, effort and the number of seasons since; late seasons
    have had fewer chances. It is no proof of breeding: passage birds are faithful to routes.

    References
    ----------
    Clopper, C. J. & Pearson, E. S. (1934), Biometrika 26:404, doi:10.1093/biomet/26.4.404.

    Examples
    --------
    >>> rates = return_rate([2030] * 10 + [2031] * 5, [True] * 4 + [False] * 11, 2031)
    >>> rates[["season", "birds", "estimate", "refused"]].values.tolist()[0]
    [2030, 10, 0.4, '']
    """
    from scipy.stats import binomtest

    birds = pd.DataFrame({"season": first_caught, "again": np.asarray(seen_later, dtype=bool)})
    rows = []
    for season, again in birds.groupby("season")["again"]:
        row: dict[str, Any] = {"season": season, "birds": len(again)}
        if season >= last_season:
            rows.append(row | {"refused": "the last season: no bird could be seen again yet"})
            continue
        found = binomtest(int(again.sum()), len(again))
        bounds = found.proportion_ci(confidence_level=INTERVAL, method="exact")
        rows.append(row | {"estimate": float(found.statistic), "low": float(bounds.low),
                           "high": float(bounds.high), "refused": ""})  # fmt: skip
    columns = ["season", "birds", "estimate", "low", "high", "refused"]
    return pd.DataFrame(rows).reindex(columns=columns)
