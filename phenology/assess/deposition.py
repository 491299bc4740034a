"""Fuel deposition rate: from birds weighed again in one stay, and from the time of day."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.assess.support_outcomes import LONGEST_STAY_DAYS
from phenology.models.refusal import Refused

if TYPE_CHECKING:
    import xarray as xr

    from phenology.estimates import Estimates

Array = npt.NDArray[np.float64]
BY_HOUR = "from time of day"
NOTE = "birds that stayed and were weighed again: those that leave at once are not among them"
HOUR_NOTE = (
    "biased: before the night's loss, so an upper bound; birds caught late are not the birds "
    "caught early, and hungry birds come to bait first"
)
ACTIVE_HOURS = 13.0  # of feeding on a summer's day; common practice, no source


def assess_deposition(
    captures: pd.DataFrame,
    groups: pd.Series[str],
    lean_mass: xr.Dataset | None,
    answers: Estimates,
    seed: int,
) -> dict[str, Array]:
    """Report gain a day by group, by two ways side by side.

    Parameters
    ----------
    captures : DataFrame
        Clean captures.
    groups : Series
        Group of each capture.
    lean_mass : Dataset or None
        Draws of the lean mass model: hour_effect (draw,), log_lean_mass (draw, group).
    answers : Estimates
        Gains fuel_deposition_g_per_day.
    seed : int

    Returns
    -------
    dict
        Draws of the rate by group [g/day], where repeats tell it.
    """
    from phenology.models.fuel_deposition import deposition_from_time_of_day, fit_deposition

    rates: dict[str, Array] = {}
    try:
        fit = fit_deposition(weighings(captures, groups), seed=seed)
    except Refused as reason:
        answers.refuse("fuel_deposition_g_per_day", str(reason))
    else:
        draws = fit.draws["fuel_deposition_g_per_day"]
        for row in fit.groups.to_dict("records"):
            rates[row["group"]] = draws.sel(group=row["group"]).to_numpy()
            answers.add(
                "fuel_deposition_g_per_day",
                rates[row["group"]],
                birds=row["birds"],
                basis="measured",
                note=NOTE,
                group=row["group"],
            )
    if lean_mass is None:
        return rates
    for group, birds in captures.groupby(groups):
        level = lean_mass["log_lean_mass"].sel(group=group).to_numpy()
        gain = lean_mass["hour_effect"].to_numpy() * np.exp(level)
        by_day = deposition_from_time_of_day(gain, ACTIVE_HOURS)
        answers.add(
            "fuel_deposition_g_per_day",
            by_day,
            birds=int(birds["mass_g"].notna().sum()),
            basis="measured",
            note=HOUR_NOTE,
            definition=BY_HOUR,
            group=group,
        )
    return rates


def weighings(captures: pd.DataFrame, groups: pd.Series[str]) -> pd.DataFrame:
    """Weighings of banded birds that carry no egg, by stay: bird, day, hour, mass_g, group.

    A bird that is away for longer than the longest stay comes back as another stay.
    """
    counted = captures["band"].notna() & captures["mass_g"].notna()
    counted &= ~captures["gravid"].fillna(False).astype(bool)
    table = captures[counted].assign(group=groups[counted])
    table = table.sort_values(["band", "date", "time"], kind="stable")
    gap = table.groupby(["site", "band"])["date"].diff().dt.days
    stay = (gap > LONGEST_STAY_DAYS).groupby([table["site"], table["band"]]).cumsum()
    return pd.DataFrame(
        {
            "bird": table["site"].astype(str) + " " + table["band"] + " " + stay.astype(str),
            "day": (table["date"] - pd.Timestamp(2000, 1, 1)).dt.days,
            "hour": table["time"],
            "mass_g": table["mass_g"],
            "group": table["group"],
        }
    )
