"""What flowers and feeders could feed, over the birds counted without bait."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.energy import share_of_need
from phenology.models.refusal import Refused
from phenology.reference import kind_of_bird

if TYPE_CHECKING:
    import xarray as xr

    from phenology.estimates import Estimates
    from phenology.study.study import Study

Floats = npt.NDArray[np.float64]
Season = npt.NDArray[np.bool_]

FLOWERS_COUNTED, FEEDERS = "flowers of the area counted", "feeders"
NOTE = (
    "birds present and not seen in a count are not among those to feed, and others drink too: the "
    "true share is smaller"
)


def report_share_of_need(
    study: Study,
    birds_fed: dict[str, Floats],
    days: xr.Dataset,
    seasons: dict[str, Season],
    answers: Estimates,
    seed: int,
) -> None:
    """Report the share of the need of the hummingbirds counted that could be fed, or why none.

    Parameters
    ----------
    study : Study
        Its counts sheet gives the birds; `flowering_area_ha` of its sites sheet the area.
    birds_fed : dict of ndarray, (draw, site, date)
        Bird-days a day by what is on offer: `FLOWERS_COUNTED` by hectare, `FEEDERS` in all.
    days : Dataset
        Gives site and date, and `season_surveyed` where bloom was surveyed.
    seasons : dict of ndarray
        Dates of each season.
    answers : Estimates
        Gains share_of_need by site and season.
    seed : int
    """
    if not birds_fed:
        return
    counted = birds_counted(study.sheets.get("counts"), days)
    if counted is None:
        for offered in birds_fed:
            _refuse(answers, None, None, offered, seed)
        return
    given = study.sites.drop_duplicates("site").set_index("site")["flowering_area_ha"]
    for place, site in enumerate(days["site"].to_numpy()):
        here = counted[place] if np.isfinite(counted[place]).any() else None
        area = float(given.get(site, np.nan))
        area_ha = area if area > 0 else None
        for offered, fed in birds_fed.items():
            if here is None or area_ha is None:
                _refuse(answers, here, area_ha, offered, seed, site)
                continue
            for season, inside in seasons.items():
                on = inside & np.isfinite(here) & np.isfinite(fed[:, place]).all(axis=0)
                if not on.any():
                    continue
                hectares = area_ha if offered == FLOWERS_COUNTED else 1.0
                key = {"site": site, "season": season, "definition": offered}
                try:
                    share = share_of_need(fed[:, place, on], here[on], hectares, seed)
                except Refused as reason:
                    answers.refuse("share_of_need", str(reason), **key)
                    continue
                own = offered == FEEDERS or bool(days["season_surveyed"].sel(site=site)[on].any())
                basis = "measured" if own else "borrowed"
                birds = int(here[on].sum())
                answers.add("share_of_need", share, birds=birds, basis=basis, note=NOTE, **key)


def birds_counted(counts: pd.DataFrame | None, days: xr.Dataset) -> Floats | None:
    """Hummingbirds of a count, the mean of a day's counts, on (site, date); NaN without one.

    Parameters
    ----------
    counts : DataFrame or None
        The counts sheet.
    days : Dataset
        Gives site and date.

    Returns
    -------
    ndarray or None
        None where nothing was counted.
    """
    if counts is None or counts.empty:
        return None
    hummingbird = counts["species"].map(kind_of_bird).eq("hummingbird")
    seen = counts.assign(birds=counts["count"].astype(float).where(hummingbird, 0.0))
    by_count = seen.groupby(["site", "date", "start"], dropna=False)["birds"].sum()
    by_day = by_count.groupby(["site", "date"]).mean().unstack("date")
    return np.asarray(
        by_day.reindex(index=days["site"].to_numpy(), columns=days["date"].to_numpy()), dtype=float
    )


def _refuse(
    answers: Estimates,
    counted: Floats | None,
    area_ha: float | None,
    offered: str,
    seed: int,
    site: str = "",
) -> None:
    """Refuse in the words of the model, which knows what it lacks."""
    try:
        share_of_need(np.empty((1, 0)), counted, area_ha, seed)
    except Refused as reason:
        answers.refuse("share_of_need", str(reason), definition=offered, site=site)
