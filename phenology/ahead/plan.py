"""What more days, sites or seasons would show: plans simulated with a study's own birds."""

from __future__ import annotations

import hashlib
import json
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenology.assess.season_counts import season_counts
from phenology.compilation import use_compilation_cache
from phenology.compute import Progress, end_with_parent, quiet
from phenology.errors import StudyError
from phenology.models.refusal import Refused
from phenology.models.sampling_plan import (
    Habits,
    Plan,
    change_seen,
    date_widths,
    feeder_widths,
    habits_of,
    mean_width,
)
from phenology.models.season import SeasonModel
from phenology.seasons import season_windows

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from phenology.assess.finished import FinishedRun
    from phenology.seasons import Window

PEAK, FUEL, FEEDERS = "peak date", "fuel of a season", "feeder effect on fuel"
UNITS = {PEAK: "days", FUEL: "share of lean mass", FEEDERS: "share of lean mass"}
FEWEST_FUELLED = 20  # birds with a fuel load, to know how they scatter


@dataclass(frozen=True)
class Yield:
    """What a day of work brings, and how the fuel of birds scatters.

    `bird_sd` among birds of one group, site and season; `season_sd` between seasons of a site
    beyond what the number of birds explains.
    """

    birds_a_day: float
    bird_sd: float
    season_sd: float


def plans_about(run: FinishedRun, seasons_ahead: int = 3) -> list[Plan]:
    """The study's own layout for some seasons more, and layouts around it."""
    days, sites = _layout(run)
    around = {
        Plan(days, sites, seasons_ahead),
        Plan(max(days // 2, 1), sites, seasons_ahead),
        Plan(days * 2, sites, seasons_ahead),
        Plan(days, sites * 2, seasons_ahead),
        Plan(max(days // 2, 1), sites * 2, seasons_ahead),
        Plan(days, sites, seasons_ahead * 2),
    }
    return sorted(around, key=lambda plan: (plan.total_days, plan.days))


def _layout(run: FinishedRun) -> tuple[int, int]:
    """Median days a worked season at a site, and sites worked."""
    sampled = run.site_days["sampled"].to_series()
    worked = sampled[sampled.astype(bool)].index.to_frame(index=False)
    days = worked.groupby(["site", worked["date"].dt.year]).size()
    return max(int(days.median()), 1), int(worked["site"].nunique())


def compare_plans(
    run: FinishedRun,
    plans: list[Plan],
    *,
    species: str | None = None,
    studies: int = 20,
    jobs: int = 1,
    kept: Path | None = None,
    progress: Progress = quiet,
) -> pd.DataFrame:
    """Width of each answer, and the change that would be seen, under each plan.

    Parameters
    ----------
    run : FinishedRun
        Its birds are simulated.
    plans : list of Plan
    species : str, optional
        By default the one caught most.
    studies : int
        Simulated under each plan.
    jobs : int
    kept : Path, optional
        A file in which each finished plan is kept, so that a stopped comparison goes on.
    progress : callable

    Returns
    -------
    DataFrame
        plan, days, sites, seasons, total_days, aim, unit, width (mean width of the 90 %
        interval), width_low, width_high (90 % interval of that mean), change_seen (with a power
        of 80 %), studies.

    Raises
    ------
    StudyError
        If the species was not caught or its season cannot be fitted.
    """
    seed = int(run.summary["seed"])
    species = species or str(run.captures["species"].value_counts().index[0])
    progress(f"Learning the habits of {species}", 0.02)
    habits = _habits(run, species, seed)
    brought = _yield(run, species)
    asked = [(plan, aim) for plan in plans for aim in (PEAK, FEEDERS)]
    stamp = _stamp(habits, brought, studies, seed)
    done = _read_kept(kept, stamp)
    wanted = [work for work in asked if _key(*work) not in done]
    for number, (plan, aim, widths) in enumerate(
        _each(wanted, habits, brought, studies, seed, jobs)
    ):
        progress("Simulating and fitting plans", 0.1 + 0.85 * (number + 1) / len(wanted))
        done[_key(plan, aim)] = widths
        if kept is not None:
            _keep(kept, [stamp, _key(plan, aim), widths])
    rows = []
    for plan in plans:
        found = {aim: np.array(done[_key(plan, aim)], float) for aim in (PEAK, FEEDERS)}
        rows += [_told(plan, aim, widths) for aim, widths in found.items()]
        if brought is not None:
            width = mean_width(brought.birds_a_day * plan.days, brought.bird_sd, brought.season_sd)
            rows.append(_told(plan, FUEL, np.array([width])))
    return pd.DataFrame(rows)


def recommend(table: pd.DataFrame, days_to_spend: int) -> pd.DataFrame:
    """The plan with the narrowest interval of each aim among those within the days to spend."""
    within = table[(table["total_days"] <= days_to_spend) & table["width"].notna()]
    if within.empty:
        least = int(table["total_days"].min())
        raise StudyError(
            f"No plan fits into {days_to_spend} days.",
            f"The smallest one compared takes {least}; give --days, --sites and --seasons.",
        )
    return within.loc[within.groupby("aim")["width"].idxmin()].reset_index(drop=True)


def _habits(run: FinishedRun, species: str, seed: int) -> Habits:
    site_days = run.site_days
    species_of = site_days["species"].to_series()
    groups = species_of.index[species_of == species].to_list()
    if not groups:
        known = ", ".join(sorted(species_of.unique()))
        raise StudyError(f"The study caught no '{species}'.", f"It caught {known}.")
    window = _first_window(run)
    try:
        counts = season_counts(site_days, run.options, species, groups, window)
        model = SeasonModel(seed=seed, method="laplace").fit(counts)
    except Refused as reason:
        raise StudyError(
            f"The season of {species} cannot be fitted: {reason}.", "Choose another --species."
        ) from None
    return habits_of(model.posterior_, counts)


def _first_window(run: FinishedRun) -> Window:
    sampled = run.site_days["sampled"].any("site").to_numpy().astype(bool)
    dates = pd.DatetimeIndex(run.site_days["date"].to_numpy()[sampled])
    return season_windows(run.options.seasons, dates)[0]


def _yield(run: FinishedRun, species: str) -> Yield | None:
    birds = run.captures[run.captures["species"] == species]
    if "fuel_load" not in birds or birds["fuel_load"].notna().sum() < FEWEST_FUELLED:
        return None
    fuelled = birds.dropna(subset="fuel_load")
    days = fuelled.groupby(["site", "date"]).ngroups
    of_kind = fuelled.groupby(["site", "season", "group"])["fuel_load"]
    spread = float(np.sqrt(of_kind.var(ddof=1).dropna().median()))
    of_season = fuelled.groupby(["site", "season"])["fuel_load"]
    means, counts = of_season.mean(), of_season.size()
    beyond = means.groupby("site").var(ddof=1).mean() - (spread**2 / counts).mean()
    return Yield(len(fuelled) / days, spread, float(np.sqrt(max(np.nan_to_num(beyond), 0.0))))


def _each(
    wanted: list[tuple[Plan, str]],
    habits: Habits,
    brought: Yield | None,
    studies: int,
    seed: int,
    jobs: int,
) -> Iterator[tuple[Plan, str, list[float]]]:
    if jobs == 1:
        for plan, aim in wanted:
            yield plan, aim, _widths(plan, aim, habits, brought, studies, seed)
        return
    with ProcessPoolExecutor(jobs, get_context("spawn"), end_with_parent) as workers:
        started = {
            workers.submit(_widths, plan, aim, habits, brought, studies, seed): (plan, aim)
            for plan, aim in wanted
        }
        for future in as_completed(started):
            yield *started[future], future.result()


def _widths(
    plan: Plan, aim: str, habits: Habits, brought: Yield | None, studies: int, seed: int
) -> list[float]:
    use_compilation_cache()
    if aim == PEAK:
        return [float(width) for width in date_widths(plan, habits, studies, seed)]
    if brought is None:
        return [float("nan")]
    found = feeder_widths(plan, brought.birds_a_day, brought.bird_sd, studies, seed)
    return [float(width) for width in found]


def _told(plan: Plan, aim: str, widths: Any) -> dict[str, Any]:
    seen = widths[np.isfinite(widths)]
    width = float(seen.mean()) if len(seen) else float("nan")
    error = 1.645 * float(seen.std(ddof=1)) / np.sqrt(len(seen)) if len(seen) > 1 else 0.0
    return {
        "days": plan.days,
        "sites": plan.sites,
        "seasons": plan.seasons,
        "total_days": plan.total_days,
        "aim": aim,
        "unit": UNITS[aim],
        "width": width,
        "width_low": width - error,
        "width_high": width + error,
        "change_seen": change_seen(width, comparing_two=aim != FEEDERS),
        "studies": len(seen),
    }


def _stamp(habits: Habits, brought: Yield | None, studies: int, seed: int) -> str:
    of_birds = [habits.groups.round(6).tolist(), habits.scales, habits.role]
    brings = asdict(brought) if brought else None
    text = json.dumps([of_birds, habits.first_day, habits.last_day, brings, studies, seed])
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _key(plan: Plan, aim: str) -> str:
    return f"{plan.days} days, {plan.sites} sites, {plan.seasons} seasons: {aim}"


def _keep(kept: Path, plan: list[Any]) -> None:
    try:
        with kept.open("a", encoding="utf-8") as file:
            file.write(json.dumps(plan) + "\n")
    except OSError as error:
        raise StudyError(
            f"{kept} cannot be written: {error.strerror or error}.",
            "Free space or choose another folder with --out.",
        ) from None


def _read_kept(kept: Path | None, stamp: str) -> dict[str, list[float]]:
    if kept is None or not kept.exists():
        return {}
    done = {}
    for line in kept.read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            told, key, widths = json.loads(line)
        except (ValueError, TypeError):  # the line being written when the comparison was stopped
            continue
        if told == stamp:
            done[key] = widths
    return done
