"""Yearly capture histories from the survival model's own family."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt


class RecaptureTruth(NamedTuple):
    """Survival, recapture and share of transients that generated the histories."""

    survival: float
    recapture: float
    transients: float


def simulate_recaptures(
    rng: np.random.Generator,
    *,
    marked_per_year: int = 40,
    years: int = 8,
    survival: float | None = None,
    recapture: float | None = None,
    transients: float = 0.0,
) -> tuple[npt.NDArray[np.bool_], RecaptureTruth]:
    """Simulate yearly histories; survival and recapture are drawn where not given.

    Returns
    -------
    histories : ndarray of bool, (birds, years)
    truth : RecaptureTruth

    Examples
    --------
    >>> histories, truth = simulate_recaptures(np.random.default_rng(2), marked_per_year=5)
    >>> histories.shape
    (35, 8)
    """
    phi = rng.uniform(0.35, 0.7) if survival is None else survival
    p = rng.uniform(0.3, 0.8) if recapture is None else recapture
    marked = np.repeat(np.arange(years - 1), marked_per_year)
    resident = rng.random(marked.size) >= transients
    histories = np.zeros((marked.size, years), dtype=bool)
    histories[np.arange(marked.size), marked] = True
    alive = resident.copy()
    for year in range(1, years):
        before = marked < year
        alive &= ~before | (rng.random(marked.size) < phi)
        histories[:, year] |= before & alive & (rng.random(marked.size) < p)
    return histories, RecaptureTruth(phi, p, transients)
