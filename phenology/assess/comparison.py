"""Sites and seasons side by side: the same days and groups, partial pooling, chances not ranks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from phenology.assess.support_outcomes import OUTCOMES, Outcome
from phenology.errors import StudyError
from phenology.quantities import AGAINST_NORMAL, AT_EQUAL, HIGH_QUANTILE, LOW_QUANTILE

if TYPE_CHECKING:
    from phenology.assess.finished import FinishedRun
    from phenology.assess.support import SupportAnswers
    from phenology.estimates import Estimates
    from phenology.study.options import StudyOptions

FEWEST_BIRDS = 5  # of a site and season, below which its difference is not reported
OWN_SCALE = ("fuel_load", "fuel_after_breeding", "share_ready")  # read off the fat scale
MOST_DAYS_APART = 14.0  # mean days of capture of two studies
LEAST_ALIKE = 0.5  # of two studies' birds, of the same species
FEWEST_DRAWS = 200  # that every outcome has
CHANCES = ["outcome", "role", "site", "other", "chance_of_more", "birds", "other_birds",
           "rank", "rank_low", "rank_high"]  # fmt: skip
LEVELS = ["outcome", "role", "site", "unit", "estimate", "low", "high", "birds", "seasons",
          "chance_above"]  # fmt: skip


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
    if not tables:
        return pd.DataFrame(columns=CHANCES)
    return pd.concat(tables, ignore_index=True)[CHANCES]


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
            definition=AT_EQUAL,
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
    return pd.DataFrame(rows, columns=CHANCES[2:])


def compare_studies(
    runs: Mapping[str, FinishedRun],
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Set the sites of several finished runs side by side, where they are comparable.

    Parameters
    ----------
    runs : mapping of str to FinishedRun
        By the name they are shown under; the first sets what the others are compared with.

    Returns
    -------
    levels : DataFrame
        outcome, role, site, estimate, low, high (90 %), birds, seasons (with birds), unit: every
        site at its study's mean day and mix of groups; chance_above: that the site lies above
        the mean of the others, missing for one alone. With several studies `site` begins with
        the study's name.
    chances : DataFrame
        As `compare_sites`.
    reasons : list of str
        What was not compared, and why.
    """
    levels, chances, reasons = [], [], []
    first = next(iter(runs))
    for outcome in OUTCOMES:
        for role in outcome.roles:
            drawn: dict[str, xr.Dataset] = {}
            for name, run in runs.items():
                model = None if run.support is None else run.support.models.get(outcome.quantity)
                if model is None or role not in model.roles_:
                    continue
                told = "" if not drawn else _why_apart(runs, next(iter(drawn)), name, outcome, role)
                if told:
                    apart = f"{name} is not compared with {next(iter(drawn))}"
                    reasons.append(f"{outcome.quantity}, {role} birds: {apart}: {told}.")
                else:
                    drawn[name] = _levels(model, role)
            if not drawn:
                continue
            together = xr.concat([_named(each, _opening(name, len(runs)))
                                  for name, each in drawn.items()], "site")  # fmt: skip
            key = {"outcome": outcome.quantity, "role": role}
            levels.append(_level_table(together).assign(**key, unit=outcome.unit))
            chances.append(_chances(together).assign(**key))
    if not levels:
        raise StudyError(
            f"No outcome of {first} could be fitted: there is nothing to compare.",
            "Its report says of each outcome what is lacking.",
        )
    return pd.concat(levels)[LEVELS], pd.concat(chances)[CHANCES], reasons


def compared_sites(runs: Mapping[str, FinishedRun]) -> pd.DataFrame:
    """Where the sites of `compare_studies` lie, under the same names, as far as may be shared."""
    parts = [
        run.sites.assign(site=_opening(name, len(runs)) + run.sites["site"].astype(str))
        for name, run in runs.items()
    ]
    return pd.concat(parts, ignore_index=True)


def _opening(study: str, studies: int) -> str:
    return f"{study}: " if studies > 1 else ""


def _named(levels: xr.Dataset, opening: str) -> xr.Dataset:
    """Levels and numbers of birds of a study's sites, without its seasons."""
    seen = levels["season_birds"] > 0
    kept = levels[["level", "birds"]].assign(seasons=seen.sum("season"))
    kept = kept.drop_vars("season", errors="ignore").isel(draw=slice(0, FEWEST_DRAWS))
    return kept.assign_coords(site=[f"{opening}{site}" for site in levels["site"].values.tolist()])


def _level_table(levels: xr.Dataset) -> pd.DataFrame:
    low, middle, high = np.quantile(
        levels["level"].transpose("draw", "site"), [LOW_QUANTILE, 0.5, HIGH_QUANTILE], axis=0
    )
    drawn = levels["level"].transpose("draw", "site").values
    sites = drawn.shape[1]
    others = (drawn.sum(axis=1, keepdims=True) - drawn) / max(sites - 1, 1)
    return pd.DataFrame(
        {
            "site": levels["site"].values,
            "chance_above": (drawn > others).mean(axis=0) if sites > 1 else np.nan,
            "estimate": middle,
            "low": low,
            "high": high,
            "birds": levels["birds"].values.round().astype(int),
            "seasons": levels["seasons"].values.astype(int),
        }
    )


def _why_apart(
    runs: Mapping[str, FinishedRun], first: str, second: str, outcome: Outcome, role: str
) -> str:
    """Why the sites of two studies cannot stand side by side on an outcome; empty if they can."""
    one, two = runs[first], runs[second]
    told = why_not_comparable(one.options, two.options, outcome.quantity)
    if told:
        return told
    days, mixes = [], []
    for run in (one, two):
        assert run.support is not None
        fit = run.support.models[outcome.quantity].roles_[role]
        birds = run.support.birds.table.iloc[fit.rows]
        days.append(float(np.average(birds["day"], weights=fit.chance)))
        mixes.append(pd.Series(fit.chance).groupby(birds["species"].to_numpy()).sum())
    gap = abs(days[0] - days[1])
    if gap > MOST_DAYS_APART:
        return f"their birds were caught {gap:.0f} days apart on average"
    shares = [mix / mix.sum() for mix in mixes]
    alike = float(pd.concat(shares, axis=1).fillna(0.0).min(axis=1).sum())
    if alike < LEAST_ALIKE:
        return f"only {alike:.0%} of their birds are of the same species"
    return ""


def why_not_comparable(first: StudyOptions, second: StudyOptions, outcome: str) -> str:
    """Why an outcome of two studies cannot stand side by side; empty if it can.

    Examples
    --------
    >>> from phenology.study.options import parse_options
    >>> species = {"Selasphorus rufus": "passage"}
    >>> one = parse_options({"name": "One", "species": species, "fat": {"scale": "0-5"}})
    >>> two = parse_options({"name": "Two", "species": species, "fat": {"scale": "0-8"}})
    >>> why_not_comparable(one, two, "fuel_load").partition(",")[0]
    'fat was scored on different scales (0-5 and 0-8)'
    >>> why_not_comparable(one, two, "pollen_share")
    ''
    """
    scales = (first.fat_scale, second.fat_scale)
    levels = (first.fat_levels, second.fat_levels)
    if outcome in OWN_SCALE and (scales[0] != scales[1] or levels[0] != levels[1]):
        return (
            f"fat was scored on different scales ({scales[0]} and {scales[1]}), so that a class "
            "does not mean the same fuel; gain, young and pollen can still be compared"
        )
    if outcome == "lean_condition":
        return "lean condition is a residual within one study: its zero differs between studies"
    if outcome == "return_rate":
        return "how many birds are caught again depends on how much each study worked"
    if not set(first.species) & set(second.species):
        return "the studies have no species in common"
    if outcome == "share_ready" and first.next_stop_km != second.next_stop_km:
        return "the next stop lies at different distances"
    return ""
