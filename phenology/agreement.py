"""Whether two versions of a model answer the same studies alike, but for chance."""

from __future__ import annotations

import numpy as np
import pandas as pd

MOST_SHIFTED = 0.03  # of estimates on average [widths of the interval]: .1 standard deviation
MOST_WIDENED = 0.03  # of intervals on average [share]: coverage moves by .01
MOST_MOVED = 0.1  # of single estimates, root mean square [widths]: draws alone move them by .03
CHI_SQUARE_95 = 3.84  # of one degree of freedom
MOST_POINTS = 0.01  # share of intervals that may have a width in one of the two fits only
COLUMNS = ("quantity", "studies", "shift", "shift_most", "widened", "widened_most", "moved")


def agreement(before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame:
    """How far the answers of two fits of the same studies lie apart, by quantity.

    Draws of one seed come out otherwise as soon as the last digit of a number does, so that single
    answers move by chance. Chance alone neither shifts them on average nor changes their widths.

    Parameters
    ----------
    before, after : DataFrame
        Rows of `calibrate.STUDY_COLUMNS` and `study`, alike in order.

    Raises
    ------
    ValueError
        If they do not tell of the same quantities, or not all intervals of both have a width or
        lack it.

    Returns
    -------
    DataFrame
        `shift`, mean difference of the estimates [widths of the interval before]; `widened`, mean
        log ratio of the widths; `shift_most` and `widened_most`, how far from 0 their 95 %
        intervals reach, studies being independent of one another; `moved`, root mean square
        difference of estimates [widths].

    Examples
    --------
    >>> before = pd.DataFrame({"quantity": "peak_day", "study": [1, 2], "estimate": [200.0, 210.0],
    ...     "low": [195.0, 205.0], "high": [205.0, 215.0]})
    >>> after = before.assign(estimate=[201.0, 209.0])
    >>> agreement(before, after)[["shift", "moved"]].values.tolist()
    [[0.0, 0.1]]
    """
    what = ["study", "quantity"]
    if not before[what].equals(after[what]):
        raise ValueError("the two fits do not tell of the same quantities")
    widths = [fit["high"] - fit["low"] for fit in (before, after)]
    wide = widths[0] > 0  # a date at the window's edge may have no width
    if (wide != (widths[1] > 0)).mean() > MOST_POINTS:
        raise ValueError("intervals lost their width, or gained one")
    wide &= widths[1] > 0
    was, now, width = before[wide], after[wide], widths[0][wide]
    told = pd.DataFrame(
        {
            "quantity": was["quantity"],
            "study": was["study"],
            "shift": (now["estimate"] - was["estimate"]) / width,
            "widened": np.log(widths[1][wide] / width),
        }
    )
    rows = []
    for quantity, alike in told.groupby("quantity"):
        by_study = alike.groupby("study")[["shift", "widened"]].mean()
        mean, error = by_study.mean(), by_study.std(ddof=1) / np.sqrt(len(by_study))
        most = mean.abs() + 1.96 * error
        moved = float(np.sqrt((alike["shift"] ** 2).mean()))
        both = (mean["shift"], most["shift"], mean["widened"], most["widened"])
        rows.append((quantity, len(by_study), *both, moved))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def agree(table: pd.DataFrame) -> bool:
    """Whether two versions agree so well that coverage is as it was.

    Parameters
    ----------
    table : DataFrame
        From `agreement`, with the numbers of studies `newly_refused` and `newly_told`: checks of a
        fit have chance too, but refuse as many as before (McNemar 1947, Psychometrika 12:153,
        doi:10.1007/BF02295996).
    """
    if table.empty:
        return False
    lost, won = table["newly_refused"].iloc[0], table["newly_told"].iloc[0]
    alike = (table["shift_most"] < MOST_SHIFTED) & (table["widened_most"] < MOST_WIDENED)
    alike &= table["moved"] < MOST_MOVED
    return bool(alike.all() and (lost - won) ** 2 <= CHI_SQUARE_95 * (lost + won))
