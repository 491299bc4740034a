"""Which captures are of one bird."""

from __future__ import annotations

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
