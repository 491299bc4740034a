"""Simple ways to a stay, for comparison with the likelihood, and why they differ."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.recaptures import recapture_table, reversed_in_time
from phenology.models.stopover import checked
from phenology.models.survival import fit_survival


def total_stay_days_schaub01(survival: float, seniority: float) -> float:
    """Stay before and after capture from daily rates: −1 / ln φ − 1 / ln γ (form from memory).

    It is the stay of the birds that were caught, and long stays are caught more often: up to
    twice the mean stay of all birds. For comparison only.

    Examples
    --------
    >>> round(total_stay_days_schaub01(0.9, 0.85), 6)
    15.644351
    """
    return float(-1 / np.log(survival) - 1 / np.log(seniority))


def compare_simple_stays(histories: npt.ArrayLike, effort: npt.ArrayLike) -> pd.DataFrame:
    """The simple ways beside the likelihood, with why they differ.

    Parameters
    ----------
    histories, effort
        As in `fit_stopover`.

    Returns
    -------
    DataFrame
        method, days, why.
    """
    caught, days_effort = checked(histories, effort)
    sampled = days_effort > 0
    table = recapture_table(caught)
    forward = fit_survival(table, sampled=sampled[1:]).survival["estimate"].iloc[0]
    backward = fit_survival(reversed_in_time(table), sampled=sampled[::-1][1:])
    seniority = backward.survival["estimate"].iloc[0]
    day = np.arange(caught.shape[1])
    span = np.where(caught, day, -1).max(axis=1) - caught.argmax(axis=1)
    again = caught.sum(axis=1) > 1
    rows = [
        ("minimum stay", float(span[again].mean()),
         "from first to last capture of birds caught again: misses days before and after"),
        ("summed rates", total_stay_days_schaub01(forward, seniority),
         "stay before and after a capture: long stays are caught more often"),
        ("after capture, one class", float(-1 / np.log(forward)),
         "a few residents lengthen it for all"),
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["method", "days", "why"])
