"""Fewer birds where there are very many: what they teach is known long before all are counted."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt


def evenly_chosen(of_class: npt.NDArray[Any], most: int) -> npt.NDArray[np.bool_]:
    """Which rows are kept so that no class has more than `most`, evenly along the rows.

    Parameters
    ----------
    of_class : array, (n,)
        Class of each row.
    most : int
        Rows of a class; a class that has no more keeps all.

    Examples
    --------
    >>> evenly_chosen(np.array(["a", "a", "b", "a", "a"]), most=2).tolist()
    [False, True, True, False, True]
    """
    _, codes, sizes = np.unique(of_class, return_inverse=True, return_counts=True)
    order = np.argsort(codes, kind="stable")
    place = np.empty(len(codes), int)
    place[order] = np.arange(len(codes)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    size = np.maximum(sizes[codes], most)
    kept: npt.NDArray[np.bool_] = (place + 1) * most // size > place * most // size
    return kept | (sizes[codes] <= most)
