"""Last digits of what was written down: without preference each comes a tenth of the time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import binomtest

from phenology.models.refusal import Refused

FEWEST_READINGS = 50
MOST_DECIMALS = 2
_ON_GRID = 0.95  # share of readings that must end at a decimal for it to be the last


def last_digits(readings: npt.ArrayLike) -> pd.DataFrame:
    """How often each last digit was written down.

    Parameters
    ----------
    readings : array-like
        Of one measure by one instrument; missing ones are passed over. The last decimal is that
        at which nearly all of them end.

    Returns
    -------
    DataFrame
        digit (0 to 9), readings, share, low, high: 90 % interval by Wilson's score.

    Raises
    ------
    Refused
        With fewer than fifty readings.

    Notes
    -----
    A tenth is expected of each digit only where readings spread over several tens of the last
    decimal: a mass in whole grams of birds of 3 to 4 g has two digits by nature.

    References
    ----------
    Wilson, E. B. (1927), J. Am. Stat. Assoc. 22:209, doi:10.1080/01621459.1927.10502953.

    Examples
    --------
    >>> wings = 40 + np.arange(100) % 20 / 2
    >>> told = last_digits(wings)
    >>> told.loc[told["share"] > 0, "digit"].tolist()
    [0, 5]
    """
    values = np.asarray(readings, dtype=float)
    values = values[np.isfinite(values)]
    if values.size < FEWEST_READINGS:
        raise Refused(f"{values.size} readings; {FEWEST_READINGS} are needed to tell last digits")
    scaled = np.round(values * 10.0 ** _decimals(values)).astype(int)
    count = np.bincount(scaled % 10, minlength=10)
    low, high = np.array([_interval(number, values.size) for number in count]).T
    return pd.DataFrame(
        {
            "digit": np.arange(10),
            "readings": count,
            "share": count / values.size,
            "low": low,
            "high": high,
        }
    )


def share_rounded(readings: npt.ArrayLike) -> tuple[float, float, float]:
    """Share of readings that end in 0 or 5, a fifth without preference, and its 90 % interval.

    Raises
    ------
    Refused
        With fewer than fifty readings.

    Examples
    --------
    >>> [round(each, 2) for each in share_rounded(40 + np.arange(100) / 10)]
    [0.2, 0.14, 0.27]
    """
    digits = last_digits(readings)
    total = int(digits["readings"].sum())
    number = int(digits.loc[digits["digit"] % 5 == 0, "readings"].sum())
    return number / total, *_interval(number, total)


def _interval(number: int, total: int) -> tuple[float, float]:
    told = binomtest(int(number), total).proportion_ci(0.9, method="wilson")
    return float(told.low), float(told.high)


def _decimals(values: npt.NDArray[np.float64]) -> int:
    for decimals in range(MOST_DECIMALS):
        if (np.abs(values - np.round(values, decimals)) < 1e-6).mean() >= _ON_GRID:
            return decimals
    return MOST_DECIMALS
