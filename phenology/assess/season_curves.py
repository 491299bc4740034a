"""Curves of a season as a table: birds present and first captures, a day a row."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr
from pandas.api.types import union_categoricals

from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

if TYPE_CHECKING:
    from phenology.models.season import SeasonModel

CURVE_WORDS = ["site", "season", "group", "role", "curve"]
CURVE_NUMBERS = ["day", "estimate", "low", "high"]
DECIMALS = 6  # of birds a day, whose last ones draws cannot tell


def join_curves(tables: list[pd.DataFrame]) -> pd.DataFrame:
    """Curves of several species or regions; their words stay categories, for they are many."""
    told = [table for table in tables if len(table)]
    if not told:
        return pd.DataFrame(columns=CURVE_WORDS + CURVE_NUMBERS)
    words = {
        name: union_categoricals([table[name].astype("category") for table in told])
        for name in CURVE_WORDS
    }
    numbers = {name: np.concatenate([table[name] for table in told]) for name in CURVE_NUMBERS}
    return pd.DataFrame(words | numbers)


def curve_table(fitted: SeasonModel, pooled: str) -> pd.DataFrame:
    """Curves of presence with their 90 % interval, by season and for all seasons together.

    Parameters
    ----------
    fitted : SeasonModel
    pooled : str
        What the season of the curves of all seasons together is called.

    Returns
    -------
    DataFrame
        `CURVE_WORDS`, then `CURVE_NUMBERS`: day [day of year], the others [birds a day].
    """
    days = fitted.sampled_.to_series()
    tables = []
    for variable, season in (
        ("present", None),
        ("pooled", pooled),
        ("first_captured", pooled),
    ):
        curves = fitted.curves_[variable]
        low, middle, high = (
            curves.sel(quantile=share, drop=True) for share in (LOW_QUANTILE, 0.5, HIGH_QUANTILE)
        )
        told = xr.Dataset({"estimate": middle, "low": low, "high": high})
        table = told.to_dataframe().dropna().reset_index()
        if season is not None:
            table["season"] = season
        else:
            sampled = pd.MultiIndex.from_frame(table[["site", "season"]])
            table = table[sampled.isin(days.index[days > 0])]
        tables.append(table.assign(curve="captured" if variable == "first_captured" else "present"))
    joined = pd.concat(tables, ignore_index=True)[CURVE_WORDS + CURVE_NUMBERS]
    rounded = joined.round(dict.fromkeys(CURVE_NUMBERS, DECIMALS))
    return rounded.astype(dict.fromkeys(CURVE_WORDS, "category"))
