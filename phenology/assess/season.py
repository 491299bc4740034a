"""When: fits the season model to every species and reports dates, numbers and curves."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.assess.season_bait import bait_note_days, bait_note_ratio, only_baited
from phenology.assess.season_counts import DATES, SeasonTask, season_tasks
from phenology.assess.season_curves import curve_table, join_curves
from phenology.assess.season_drivers import report_driver_effects
from phenology.compilation import use_compilation_cache
from phenology.compute import end_with_parent
from phenology.models.learning import borrowed_only
from phenology.models.refusal import Refused
from phenology.models.season import SeasonModel
from phenology.quantities import ROLES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from phenology.compute import Progress
    from phenology.estimates import Estimates
    from phenology.seasons import Window
    from phenology.study.study import Study

Array = npt.NDArray[Any]
MEASURED_ABOVE = 0.5  # own share of learning from which an answer counts as measured
PLACE = ("role", "group", "site", "season")
POOLED = "all seasons sampled, summed"
NOT_SAMPLED = "predicted: no day of this season was sampled here"
OF_CAPTURES = "of captures, not of birds: hours worked are not known"
METHODS = {
    "laplace": "approximated",
    "moved": "approximated, then moved",
    "sampled": "sampled",
}
SPECIES_FITTED = "Season of"  # what progress says, before the species
FIRST_SHARE, LAST_SHARE = 0.2, 0.9  # of a run's progress, before and after the seasons


@dataclass(frozen=True)
class SeasonAnswers:
    """What the season models taught."""

    curves: pd.DataFrame
    draws: dict[str, xr.Dataset]
    diagnostics: pd.DataFrame


def assess_seasons(
    site_days: xr.Dataset,
    study: Study,
    captures: pd.DataFrame,
    windows: tuple[Window, ...],
    seed: int,
    jobs: int,
    answers: Estimates,
    progress: Progress,
    monsoon_years: pd.DataFrame | None = None,
) -> SeasonAnswers:
    """Fit every species in every window of the year and report what it taught.

    Parameters
    ----------
    site_days : Dataset
        From `phenology.sitedays`.
    study : Study
        Gives roles and independent counts.
    captures : DataFrame
        Clean captures with their `group`.
    windows : tuple of Window
    seed, jobs : int
        With more than one job, species are fitted in processes of their own.
    answers : Estimates
        Gains arrival_day, peak_day, departure_day and capture_index, and what drivers do to them.
    progress : callable
    monsoon_years : DataFrame, optional
        site, season, onset_day.

    Returns
    -------
    SeasonAnswers
    """
    tasks = list(season_tasks(site_days, study, captures, windows, seed, answers, monsoon_years))
    curves, draws, diagnostics = [], {}, []
    for task, fitted in _fit_all(tasks, jobs, progress):
        if isinstance(fitted, str):
            for group in task.counts.groups:
                for quantity in (*DATES, "capture_index"):
                    answers.refuse(quantity, fitted, group=group, season=task.window.name)
            continue
        _report_dates(task, fitted, answers)
        _report_index(task, fitted, answers)
        report_driver_effects(task.species, task.window, task.counts, fitted, answers)
        curves.append(curve_table(fitted, task.window.name))
        name = f"season {task.species} {task.window.name}".strip()
        draws[name] = fitted.draws_
        diagnostics.append(fitted.diagnostics_.assign(model=f"{name}, {METHODS[fitted.method_]}"))
    return SeasonAnswers(
        join_curves(curves),
        draws,
        pd.concat(diagnostics, ignore_index=True) if diagnostics else pd.DataFrame(),
    )


def fit_task(task: SeasonTask) -> SeasonModel | str:
    """Fit one species; a refusal comes back in words."""
    use_compilation_cache()
    try:
        return SeasonModel(seed=task.seed).fit(task.counts)
    except Refused as reason:
        return str(reason)


def _fit_all(
    tasks: list[SeasonTask], jobs: int, progress: Progress
) -> Iterator[tuple[SeasonTask, SeasonModel | str]]:
    """Fit the tasks and give them back in their own order."""
    fitted: dict[int, SeasonModel | str] = {}

    def told(number: int) -> None:
        share = FIRST_SHARE + (LAST_SHARE - FIRST_SHARE) * len(fitted) / len(tasks)
        progress(f"{SPECIES_FITTED} {tasks[number].species}", share)

    if jobs == 1 or len(tasks) < 2:
        for number, task in enumerate(tasks):
            told(number)
            fitted[number] = fit_task(task)
    else:
        spawn = get_context("spawn")
        number = min(jobs, len(tasks))
        with ProcessPoolExecutor(number, spawn, initializer=end_with_parent) as workers:
            started = {workers.submit(fit_task, task): n for n, task in enumerate(tasks)}
            for future in as_completed(started):
                fitted[started[future]] = future.result()
                told(started[future])
    for number, task in enumerate(tasks):
        yield task, fitted[number]


def _report_dates(task: SeasonTask, fitted: SeasonModel, answers: Estimates) -> None:
    draws = fitted.draws_
    draws_of = {name: draws[name].transpose("draw", *PLACE).to_numpy() for name in DATES}
    shares = date_shares(fitted)
    shares_of = {name: shares.sel(quantity=name, drop=True) for name in DATES}
    shares_at = {name: one.transpose(*PLACE, "share").to_numpy() for name, one in shares_of.items()}
    days = fitted.sampled_.transpose("site", "season").to_numpy()
    names = [draws[name].to_numpy() for name in PLACE]
    for at in map(tuple, np.argwhere(~np.isnan(draws_of["peak_day"][0]))):
        place = {key: name[number] for key, name, number in zip(PLACE, names, at, strict=True)}
        role, group, site, season = place.values()
        if not days[at[2]].any():
            continue
        first, last = _days_sampled(task, site, season)
        for quantity in DATES:
            values = draws_of[quantity][:, *at]
            shares = shares_at[quantity][at]
            caught = int(task.birds.get((group, site, season), 0))
            outside = _outside(role, quantity, values, first, last)
            if np.isnan(shares).any():  # nothing moves the answer: it lies at the window's edge
                outside = outside or "it lies at the edge of the season's window"
            if outside:
                answers.refuse(quantity, outside, birds=caught, **place)
                continue
            answers.add(
                quantity,
                values,
                birds=caught,
                basis=basis_of(shares),
                shares=(shares[0], shares[1], shares[2]),
                note="" if days[at[2:]] else NOT_SAMPLED,
                **place,
            )
    _report_pooled(task, fitted, answers)


def _report_pooled(task: SeasonTask, fitted: SeasonModel, answers: Estimates) -> None:
    """Dates of all sampled seasons together: years, and groups, weigh by their numbers."""
    parts = [("pooled", group, {"group": group}) for group in task.counts.groups]
    if len(parts) > 1:
        parts.append(("together", task.species, {}))
    for role in ROLES:
        for site in task.counts.sites:
            if not bool(fitted.sampled_.sel(site=site).any()):
                continue
            first, last = _days_sampled(task, site, None)
            for variable, group, selected in parts:
                at = {"role": role, "site": site} | selected
                of_group = task.birds
                if variable != "together":
                    of_group = of_group.xs(group, level="group")
                here = of_group.index.get_level_values("site") == site
                caught = int(of_group[here].sum())
                if caught == 0 or bool(
                    fitted.draws_[f"{variable}_peak_day"].sel(at).isnull().all()
                ):
                    continue
                key: dict[str, Any] = {"role": role, "group": group, "site": site}
                key |= {"season": task.window.name, "definition": POOLED}
                for quantity in DATES:
                    values = fitted.draws_[f"{variable}_{quantity}"].sel(at).to_numpy()
                    outside = _outside(role, quantity, values, first, last)
                    if outside:
                        answers.refuse(quantity, outside, birds=caught, **key)
                    else:
                        note = "" if task.counts.effort_known else OF_CAPTURES
                        if only_baited(task.counts):
                            note = note or bait_note_days(fitted, values)
                        basis = _pooled_basis(fitted, quantity, at)
                        answers.add(quantity, values, birds=caught, basis=basis, note=note, **key)


def _pooled_basis(fitted: SeasonModel, quantity: str, at: dict[str, Any]) -> str:
    """The best basis that any season has there: what one season measured, all together do."""
    sampled = (fitted.sampled_.sel(site=at["site"]) > 0).to_numpy()
    shares = date_shares(fitted).sel({"quantity": quantity} | at).isel(season=sampled)
    by_season = shares.transpose(..., "share").to_numpy().reshape(-1, 3)
    known = by_season[~np.isnan(by_season).any(axis=1)]
    return basis_of(known[known[:, 0].argmax()]) if len(known) else "assumed"


def _report_index(task: SeasonTask, fitted: SeasonModel, answers: Estimates) -> None:
    index = fitted.draws_["capture_index"]
    for group in task.counts.groups:
        for site in task.counts.sites:
            if not bool(fitted.sampled_.sel(site=site).any()):
                continue
            for season in task.counts.seasons:
                place: dict[str, Any] = {"group": group, "site": site, "season": season}
                role = task.counts.site_roles[
                    task.counts.groups.index(group), task.counts.sites.index(site)
                ]
                told_role = "local" if role == "local" else "passage"
                asked = place | {"quantity": "capture_index", "role": told_role}
                shares = fitted.shares_.sel(asked).to_numpy()
                values = index.sel(place).to_numpy()
                days = fitted.sampled_.sel(site=site, season=season)
                note = "" if int(days) else NOT_SAMPLED
                if only_baited(task.counts):
                    note = note or bait_note_ratio(fitted, values)
                answers.add(
                    "capture_index",
                    values,
                    birds=int(task.birds.get((group, site, season), 0)),
                    basis=basis_of(shares),
                    shares=(shares[0], shares[1], shares[2]),
                    note=note,
                    **place,
                )


def date_shares(fitted: SeasonModel) -> xr.DataArray:
    """Shares of learning of the dates; those of seasons sampled on one day are borrowed.

    One day tells how many birds there were, never when: whatever it seems to say of a date rests on
    what other years and sites say of numbers.
    """
    shares = fitted.shares_.sel(quantity=list(DATES)).transpose(..., "share")
    lent = shares.copy(data=borrowed_only(shares.to_numpy()))
    return shares.where(fitted.sampled_ != 1, lent)


def basis_of(shares: Array) -> str:
    """Measured if most was learned here; assumed if most is prior; else borrowed."""
    own, borrowed, prior = shares
    if own > MEASURED_ABOVE:
        return "measured"
    return "assumed" if prior > max(own, borrowed) else "borrowed"


def _days_sampled(task: SeasonTask, site: str, season: str | None) -> tuple[float, float]:
    """First and last day sampled at a site, in one season or in any."""
    counts = task.counts
    here = counts.site == counts.sites.index(site)
    if season is not None:
        in_season = here & (counts.season == counts.seasons.index(season))
        here = in_season if in_season.any() else here
    return float(counts.day[here].min()), float(counts.day[here].max())


def _outside(role: str, quantity: str, values: Array, first: float, last: float) -> str:
    """Why a local group's date cannot be told: it lies outside the days sampled."""
    if role != "local":
        return ""
    if quantity == "arrival_day" and np.median(values) <= first:
        return "already here when sampling began"
    if quantity == "departure_day" and np.median(values) >= last:
        return "still here when sampling ended"
    if quantity == "peak_day" and not first <= np.median(values) <= last:
        return "the top of the season lies outside the days sampled"
    return ""
