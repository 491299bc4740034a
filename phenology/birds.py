"""Which captures are of one bird, and which are its first or last of a season."""

from __future__ import annotations

from typing import Literal

import pandas as pd


def bird_of_capture(captures: pd.DataFrame) -> pd.Series:
    """Band of each capture; a capture without a band is a bird of its own.

    Parameters
    ----------
    captures : DataFrame
        Clean captures, with their band.

    Examples
    --------
    >>> bird_of_capture(pd.DataFrame({"band": ["TEST-1", None]}, index=[4, 7])).to_list()
    ['TEST-1', 'row 7']
    """
    alone = pd.Series("row " + captures.index.astype(str), index=captures.index)
    return captures["band"].astype(object).where(captures["band"].notna(), alone)


def one_of_season(captures: pd.DataFrame, keep: Literal["first", "last"]) -> pd.Series[bool]:
    """Whether each capture is its bird's first, or last, at a site in a season.

    Parameters
    ----------
    captures : DataFrame
        site, season, band, date and time.
    keep : {"first", "last"}

    Examples
    --------
    >>> caught = pd.DataFrame({"site": "fork", "season": "2031", "band": ["TEST-1", None, "TEST-1"],
    ...     "date": pd.to_datetime(["2031-07-20", "2031-07-20", "2031-07-12"]), "time": 7.0})
    >>> one_of_season(caught, "first").to_list()
    [False, True, True]
    """
    order = captures.assign(bird=bird_of_capture(captures))
    order = order.sort_values(["date", "time"], kind="stable")
    other = order.duplicated(["site", "season", "bird"], keep=keep)
    return (~other).reindex(captures.index)
