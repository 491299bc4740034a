"""Support: effects of bloom, the monsoon, feeders and events on each outcome, by role."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.assess.support_outcomes import OUTCOMES, Outcome
from phenology.assess.support_rows import Birds, gather_birds
from phenology.models.refusal import Refused
from phenology.models.thinning import evenly_chosen

if TYPE_CHECKING:
    import xarray as xr

    from phenology.assess.condition import Condition
    from phenology.estimates import Estimates
    from phenology.models.support import SupportModel
    from phenology.seasons import Window
    from phenology.study.study import Study

MONSOON = ("monsoon_onset", "monsoon_strength")
DIRECT, THROUGH, TOTAL = (
    "within-site, not through flowers",
    "within-site, through flowers",
    "within-site",
)
MOST_BIRDS = 10_000  # of an outcome: beyond, seasons and sites set what can be known of effects
FEWEST_SURVEYED = 8  # surveyed site-years that tell how flowers follow the monsoon


@dataclass(frozen=True)
class SupportAnswers:
    """What the support models taught.

    Attributes
    ----------
    models : dict of SupportModel
        By outcome.
    birds : Birds
        The rows they were fitted to.
    flowers : dict of ndarray, (draw,)
        Change of the bloom index for the stated change of each driver of the monsoon.
    draws : dict of Dataset
        `support_<outcome>`: `effect` (draw, role, driver, definition).
    diagnostics : DataFrame
    """

    models: dict[str, SupportModel]
    birds: Birds
    flowers: dict[str, npt.NDArray[np.float64]]
    draws: dict[str, xr.Dataset]
    diagnostics: pd.DataFrame


def assess_support(
    study: Study,
    site_days: xr.Dataset,
    answers: Estimates,
    *,
    groups: pd.Series,
    seasons: pd.Series,
    windows: tuple[Window, ...],
    condition: Condition,
    seed: int,
    monsoon_years: pd.DataFrame | None = None,
    role_draws: Mapping[str, npt.NDArray[Any]] | None = None,
    landscape: pd.DataFrame | None = None,
) -> SupportAnswers:
    """Fit every outcome that the sheets hold and report effects by role.

    Parameters
    ----------
    study, site_days
        As the run has them.
    answers : Estimates
        Gains rows of quantity "effect".
    groups, seasons : Series
        Group and season label of each capture.
    windows, condition
        As the run has them.
    seed : int
    monsoon_years : DataFrame, optional
        site, season (year), onset_day, spi: `MonsoonYears.years`.
    role_draws : mapping of str to ndarray, (draw, capture), optional
        By outcome: whether each capture is local, drawn without that outcome. Without them birds
        of mixed species are left out, for nothing tells their role.
    landscape : DataFrame, optional
        From `assess_landscape`.

    Returns
    -------
    SupportAnswers
    """
    birds = gather_birds(
        study,
        site_days,
        groups=groups,
        seasons=seasons,
        windows=windows,
        hand=condition.draws.get("birds"),
        monsoon_years=monsoon_years,
        landscape=landscape,
    )
    drawn = role_draws or {}
    flowers = _flowers_after_monsoon(birds, site_days, seed)
    models: dict[str, SupportModel] = {}
    for number, outcome in enumerate(OUTCOMES):
        try:
            model = _fit(outcome, birds, drawn.get(outcome.quantity), seed + number)
        except Refused as reason:
            _refuse(answers, outcome, outcome.roles, str(reason))
            continue
        if model is None:
            continue
        for role, told in model.refused_.items():
            _refuse(answers, outcome, (role,), told)
        models[outcome.quantity] = model
        failed = model.diagnostics_[~model.diagnostics_["passed"]]
        if len(failed):
            told = f"the fit failed its check of {failed['statistic'].iloc[0]}"
            _refuse(answers, outcome, tuple(model.roles_), told)
        else:
            _report(answers, outcome, model, flowers, birds.words)
    checks = [model.diagnostics_.assign(model=f"support, {of}") for of, model in models.items()]
    return SupportAnswers(
        models,
        birds,
        flowers,
        {f"support_{quantity}": model.effects_ for quantity, model in models.items()},
        pd.concat(checks, ignore_index=True) if checks else pd.DataFrame(),
    )


def _fit(
    outcome: Outcome, birds: Birds, role_draws: npt.NDArray[Any] | None, seed: int
) -> SupportModel | None:
    """Fit one outcome to the birds whose outcome and role can be known; None without any."""
    from phenology.models.support import SupportModel

    values = outcome.values(birds)
    if values is None:
        return None
    table = birds.table
    if not outcome.ages_apart:
        table = table.assign(group=table["species"])
    if role_draws is None:
        local = table["p_local"].to_numpy(dtype=float)
    else:
        local = role_draws.mean(axis=0, dtype=float)
    known = np.isfinite(local)
    known &= np.isfinite(np.atleast_2d(values)).all(axis=0)
    known[known] = few_of_a_season(table[known])
    rows = np.flatnonzero(known)
    model = SupportModel(outcome.kind, outcome.roles, seed=seed)
    model.fit(table.iloc[rows], values[..., rows], local[rows])
    # scenarios and comparisons look a bird up by its place among all
    model.roles_ = {role: replace(fit, rows=rows[fit.rows]) for role, fit in model.roles_.items()}
    return model


def few_of_a_season(table: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Which birds are used: `MOST_BIRDS`, evenly from all groups, sites and seasons."""
    cells = table.groupby(["group", "site", "season"], dropna=False).ngroup()
    order = np.argsort(cells.to_numpy(), kind="stable")
    chosen = np.empty(len(table), bool)
    chosen[order] = evenly_chosen(np.zeros(len(table)), MOST_BIRDS)
    return chosen


def _refuse(answers: Estimates, outcome: Outcome, roles: tuple[str, ...], reason: str) -> None:
    for role in roles:
        answers.refuse("effect", reason, outcome=outcome.quantity, role=role)


def _report(
    answers: Estimates,
    outcome: Outcome,
    model: SupportModel,
    flowers: Mapping[str, npt.NDArray[np.float64]],
    words: Mapping[str, str],
) -> None:
    for row in model.summary_.to_dict("records"):
        key: dict[str, Any] = {name: row[name] for name in ("role", "driver", "definition")}
        key["outcome"] = outcome.quantity
        with_bloom = "bloom" in model.roles_[row["role"]].design.values
        splits = row["driver"] in MONSOON and row["definition"] == TOTAL and with_bloom
        if splits:
            key["definition"] = DIRECT
        if row["refused"]:
            answers.refuse("effect", row["refused"], birds=row["birds"], **key)
            continue
        draws = model.effects_["effect"].sel(
            role=row["role"], driver=row["driver"], definition=row["definition"]
        )
        values = draws.to_numpy()
        told = {
            "birds": row["birds"],
            "unit": f"{outcome.unit}, {row['unit']}",
            "note": "; ".join(
                note for note in (row["note"], words.get(row["driver"]), outcome.note) if note
            ),
        }
        prior = row["share_prior"]
        basis = "measured" if prior < 0.5 else "assumed"
        answers.add("effect", values, basis=basis, shares=(1 - prior, 0.0, prior), **told, **key)
        if splits:
            _report_split(answers, model, values, flowers, told | key)


def _report_split(
    answers: Estimates,
    model: SupportModel,
    direct: npt.NDArray[np.float64],
    flowers: Mapping[str, npt.NDArray[np.float64]],
    told: dict[str, Any],
) -> None:
    """What the monsoon does through flowers, and in all, where surveys tell how they follow it."""
    fit = model.roles_[told["role"]]
    reason = fit.design.refused.get(("bloom", TOTAL), "")
    if told["driver"] not in flowers:
        reason = f"fewer than {FEWEST_SURVEYED} site-years with bloom surveys and a known monsoon"
    elif model.kind == "share":
        reason = "not parted for shares: its parts do not add up on their scale"
    if reason:
        key = {name: told[name] for name in ("outcome", "driver", "role", "birds")}
        answers.refuse("effect", reason, definition=THROUGH, **key)
        return
    slope = fit.coefficients[:, fit.design.within["bloom"]]
    through = slope * flowers[told["driver"]][: len(slope)]
    for definition, values in ((THROUGH, through), (TOTAL, through + direct)):
        answers.add("effect", values, basis="measured", **(told | {"definition": definition}))


def _flowers_after_monsoon(
    birds: Birds, site_days: xr.Dataset, seed: int
) -> dict[str, npt.NDArray[np.float64]]:
    """Draws of the change of the bloom index for the stated change of each monsoon driver.

    A mixed model of the mean index of each surveyed site-year on the monsoon's deviation from
    the site's mean, with sites and seasons as random effects.
    """
    from phenology.models.mixed_effects import fit_mixed_effects
    from phenology.models.mixed_effects_rows import RandomEffect
    from phenology.models.support_contrasts import CONTRASTS

    table = birds.table
    drivers = [name for name in MONSOON if name in table]
    if "bloom" not in table or not drivers or "season_surveyed" not in site_days:
        return {}
    surveyed = site_days["season_surveyed"].to_series()
    keys = pd.MultiIndex.from_arrays([table["site"], table["date"]])
    rows = table[surveyed.reindex(keys).fillna(False).to_numpy(dtype=bool)]
    years = rows.groupby(["site", "season"])[["bloom", *drivers]].mean().dropna().reset_index()
    if len(years) < FEWEST_SURVEYED:
        return {}
    site, sites = pd.factorize(years["site"])
    season, seasons = pd.factorize(years["season"])
    away = years[drivers] - years.groupby("site")[drivers].transform("mean")
    moving = [name for name in drivers if away[name].std() > 1e-6]
    if not moving:
        return {}
    design = np.column_stack([np.ones(len(years)), away[moving].to_numpy()])
    effects = [
        RandomEffect("site", site, len(sites)),
        RandomEffect("season", season, len(seasons)),
    ]
    try:
        fitted = fit_mixed_effects(
            years["bloom"].to_numpy(), design, effects, names=["level", *moving], seed=seed
        )
    except Refused:
        return {}
    return {
        name: fitted["coefficient"].sel(term=name).to_numpy() * CONTRASTS[name].change
        for name in moving
    }
