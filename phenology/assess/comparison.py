"""Sites and seasons side by side: the same days and groups, partial pooling, chances not ranks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenology.assess.support_rows import OUTCOMES
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

if TYPE_CHECKING:
    import xarray as xr

    from phenology.assess.support import SupportAnswers
    from phenology.estimates import Estimates
    from phenology.study.options import StudyOptions

NORMAL = "at equal days and groups"
AGAINST_NORMAL = "season against the site's normal"
FEWEST_BIRDS = 5  # of a site and season, below which its difference is not reported
OWN_SCALE = ("fuel_load", "share_ready")  # read off the fat scale


def compare_sites(support: SupportAnswers, answers: Estimates) -> pd.DataFrame:
    """Report levels of sites and differences of seasons; return the chances between sites.

    Parameters
    ----------
    support : SupportAnswers
    answers : Estimates
        Gains, for each outcome and role, the level of each site (definition "at equal days and
        groups") and each season's difference from it ("season against the site's normal").

    Returns
    -------
    DataFrame
        outcome, role, site, other, chance_of_more (that site's level is the higher), birds,
        other_birds, rank, rank_low, rank_high (of the site, 1 the highest).

    Notes
    -----
    Numbers of birds are not among the outcomes: captures without counts cannot rank sites.
    """
    tables = []
    for outcome in OUTCOMES:
        if outcome.quantity not in support.models:
            continue
        model = support.models[outcome.quantity]
        for role in model.roles_:
            levels = _levels(model, role)
            key: dict[str, Any] = {"role": role, "unit": outcome.unit, "note": outcome.note}
            _report_levels(answers, outcome.quantity, levels, key)
            tables.append(_chances(levels).assign(outcome=outcome.quantity, role=role))
    columns = ["outcome", "role", "site", "other", "chance_of_more", "birds", "other_birds",
               "rank", "rank_low", "rank_high"]  # fmt: skip
    if not tables:
        return pd.DataFrame(columns=columns)
    return pd.concat(tables, ignore_index=True)[columns]


def _levels(model: Any, role: str) -> xr.Dataset:
    from phenology.models.support_levels import site_levels

    return site_levels(model, role)


def _report_levels(
    answers: Estimates, quantity: str, levels: xr.Dataset, key: dict[str, Any]
) -> None:
    for site in levels["site"].values.tolist():
        here = levels.sel(site=site)
        answers.add(
            quantity,
            here["level"].values,
            birds=round(float(here["birds"])),
            basis="measured" if float(here["birds"]) >= FEWEST_BIRDS else "borrowed",
            site=site,
            definition=NORMAL,
            **key,
        )
        for season in levels["season"].values.tolist():
            birds = float(here["season_birds"].sel(season=season))
            if birds < FEWEST_BIRDS:
                continue
            answers.add(
                quantity,
                here["season_difference"].sel(season=season).values,
                birds=round(birds),
                basis="measured",
                site=site,
                season=season,
                definition=AGAINST_NORMAL,
                **key,
            )


def _chances(levels: xr.Dataset) -> pd.DataFrame:
    from phenology.models.support_levels import chance_of_more, rank_draws

    chance = chance_of_more(levels["level"])
    ranks = rank_draws(levels["level"])
    sites = levels["site"].values.tolist()
    birds = {site: round(float(levels["birds"].sel(site=site))) for site in sites}
    rows = []
    for site in sites:
        low, middle, high = np.quantile(
            ranks.sel(site=site), [LOW_QUANTILE, 0.5, HIGH_QUANTILE], method="nearest"
        )
        rows += [
            {
                "site": site,
                "other": other,
                "chance_of_more": float(chance.sel(site=site, other=other)),
                "birds": birds[site],
                "other_birds": birds[other],
                "rank": int(middle),
                "rank_low": int(low),
                "rank_high": int(high),
            }
            for other in sites
            if other != site
        ]
    return pd.DataFrame(rows, columns=["site", "other", "chance_of_more", "birds", "other_birds",
                                       "rank", "rank_low", "rank_high"])  # fmt: skip


def why_not_comparable(first: StudyOptions, second: StudyOptions, outcome: str) -> str:
    """Why an outcome of two studies cannot stand side by side; empty if it can.

    Examples
    --------
    >>> from phenology.study.options import parse_options
    >>> species = {"Selasphorus rufus": "passage"}
    >>> one = parse_options({"name": "One", "species": species, "fat": {"scale": "0-5"}})
    >>> two = parse_options({"name": "Two", "species": species, "fat": {"scale": "0-8"}})
    >>> why_not_comparable(one, two, "fuel_load")
    'fat was scored on different scales (0-5 and 0-8)'
    >>> why_not_comparable(one, two, "pollen_share")
    ''
    """
    scales = (first.fat_scale, second.fat_scale)
    levels = (first.fat_levels, second.fat_levels)
    if outcome in OWN_SCALE and (scales[0] != scales[1] or levels[0] != levels[1]):
        return f"fat was scored on different scales ({scales[0]} and {scales[1]})"
    if outcome == "lean_condition":
        return "lean condition is a residual within one study: its zero differs between studies"
    if not set(first.species) & set(second.species):
        return "the studies have no species in common"
    if outcome == "share_ready" and first.next_stop_km != second.next_stop_km:
        return "the next stop lies at different distances"
    return ""
