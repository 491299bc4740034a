"""Bloom surveys as counts: quadrats added up, and zeros only where a survey was complete."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

WINTER_FLORA_DAYS = (60.0, 305.0)  # a flora that peaks outside these days crosses New Year
DAYS_A_YEAR = 365.25


def count_flowers(bloom: pd.DataFrame) -> pd.DataFrame:
    """Add up the rows of each survey by plant; a plant not listed is zero if it was complete.

    Parameters
    ----------
    bloom : DataFrame
        Clean rows of the bloom sheet: site, date, plant, open_flowers, area_m2, complete.

    Returns
    -------
    DataFrame
        site, date, plant, flowers [1], area_m2 [m2]: one row a plant and survey. An absent
        plant of a complete survey has zero flowers on the median area of the survey's plants.

    Examples
    --------
    >>> sheet = pd.DataFrame({
    ...     "site": "fork", "date": pd.to_datetime(["2031-07-01", "2031-07-01", "2031-07-15"]),
    ...     "plant": ["penstemon", "sage", "sage"], "open_flowers": [40.0, 9.0, 12.0],
    ...     "area_m2": 100.0, "complete": [True, True, True],
    ... })
    >>> count_flowers(sheet).query("plant == 'penstemon'")["flowers"].tolist()
    [40.0, 0.0]
    """
    sums = {"open_flowers": "sum", "area_m2": "sum"}
    listed = bloom.groupby(["site", "date", "plant"], as_index=False).agg(sums)
    surveys = bloom.groupby(["site", "date"]).agg(
        complete=("complete", lambda said: bool(said.fillna(False).all())),
    )
    surveys["area_m2"] = listed.groupby(["site", "date"])["area_m2"].median()
    complete = surveys[surveys["complete"]].reset_index()
    plants = pd.DataFrame({"plant": sorted(bloom["plant"].unique())})
    every = complete[["site", "date", "area_m2"]].merge(plants, how="cross")
    keys = ["site", "date", "plant"]
    seen = pd.MultiIndex.from_frame(listed[keys])
    absent = every[~pd.MultiIndex.from_frame(every[keys]).isin(seen)]
    counted = pd.concat([listed, absent.assign(open_flowers=0.0)], ignore_index=True)
    counted = counted.rename(columns={"open_flowers": "flowers"})
    return counted.sort_values(keys, ignore_index=True)[[*keys, "flowers", "area_m2"]]


def season_origin(counted: pd.DataFrame) -> int:
    """Day of year at which a season of bloom begins: 1, or half a year off a winter flora's peak.

    Parameters
    ----------
    counted : DataFrame
        From `count_flowers`.

    Returns
    -------
    int
        Day of year [days].
    """
    weight = counted["flowers"] / counted["area_m2"] + 1e-9
    angle = 2 * np.pi * counted["date"].dt.day_of_year.to_numpy() / DAYS_A_YEAR
    mean = np.arctan2((weight * np.sin(angle)).sum(), (weight * np.cos(angle)).sum())
    middle = float(mean % (2 * np.pi)) * DAYS_A_YEAR / (2 * np.pi)
    if WINTER_FLORA_DAYS[0] <= middle <= WINTER_FLORA_DAYS[1]:
        return 1
    return int((middle + DAYS_A_YEAR / 2 - 1) % DAYS_A_YEAR) + 1


def season_and_day(
    dates: pd.DatetimeIndex, origin: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Season (the year in which it begins) and day of that year, past 365 across New Year.

    Examples
    --------
    >>> season, day = season_and_day(pd.DatetimeIndex(["2032-01-10"]), origin=183)
    >>> int(season[0]), float(day[0])
    (2031, 375.0)
    """
    year = dates.year.to_numpy() - (dates.day_of_year.to_numpy() < origin)
    start = pd.DatetimeIndex(pd.to_datetime([f"{one}-01-01" for one in year]))
    return year.astype(np.int64), ((dates - start).days + 1).to_numpy(dtype=float)


def plant_sugar(
    plants: pd.DataFrame | None, names: Sequence[str]
) -> tuple[pd.DataFrame | None, list[str]]:
    """Sugar by plant with its 90 % range, and the plants whose value is borrowed.

    Parameters
    ----------
    plants : DataFrame or None
        Clean rows of the plants sheet.
    names : sequence of str
        Plants of the surveys.

    Returns
    -------
    DataFrame or None
        Index plant; nectar_mg_per_flower_day, low, high [mg]. None without a value for any.
    list of str
        Plants without a value: they get the median of the others and the whole of their range.
    """
    if plants is None or plants.empty:
        return None, []
    columns = ["nectar_mg_per_flower_day", "low", "high"]
    known = plants.drop_duplicates("plant").set_index("plant")[columns].astype(float)
    known = known[known.index.isin(names)]
    if known.empty:
        return None, list(names)
    middle = known["nectar_mg_per_flower_day"]
    # Without a stated range a value is good to within a half: common practice for nectar,
    # which differs that much between days and stands.
    known["low"] = known["low"].fillna(middle / 1.5).clip(upper=middle)
    known["high"] = known["high"].fillna(middle * 1.5).clip(lower=middle)
    missing = [name for name in names if name not in known.index]
    borrowed = pd.DataFrame(
        {
            "nectar_mg_per_flower_day": middle.median(),
            "low": known["low"].min(),
            "high": known["high"].max(),
        },
        index=pd.Index(missing, name="plant"),
    )
    return pd.concat([known, borrowed]).loc[list(names)], missing
