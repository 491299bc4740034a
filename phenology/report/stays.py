"""Tables of birds caught again: gain of mass by day of stay, movements between sites."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from phenology.assess.deposition import weighings
from phenology.movements import band_movements
from phenology.places import coarsen_sites

if TYPE_CHECKING:
    from phenology.assess.assessment import Assessment


def gains(captures: pd.DataFrame, birds: pd.DataFrame) -> pd.DataFrame:
    """Mass of birds weighed again in one stay, against their first: no band, no place.

    Parameters
    ----------
    captures : DataFrame
        As the run has them, with `group`.
    birds : DataFrame
        group, species, role; what figures of single birds draw.

    Returns
    -------
    DataFrame
        species, group, role, days (since the first weighing of the stay), gain (share of the
        first mass).
    """
    if not {"band", "mass_g", "group"} <= set(captures) or captures["band"].isna().all():
        return pd.DataFrame()
    table = weighings(captures, captures["group"])
    first = table.groupby("bird")[["day", "mass_g"]].transform("first")
    told = pd.DataFrame(
        {
            "group": table["group"],
            "days": table["day"] - first["day"],
            "gain": table["mass_g"] / first["mass_g"] - 1,
        }
    )
    kinds = birds[["group", "species", "role"]].drop_duplicates("group")
    return told[told["days"] > 0].merge(kinds, on="group")


def movements(assessment: Assessment) -> pd.DataFrame:
    """Bands caught at more than one site, without the bands; distances as sites are told."""
    study = assessment.study
    sites = coarsen_sites(study.sites, study.options.coarsen_km)
    return band_movements(assessment.captures, sites).drop(columns="band")
