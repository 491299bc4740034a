"""Captures to expect on the days of a season, from what is known on the day of issue."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenology.ahead.drivers import (
    drivers_of_trials,
    drivers_on_site_days,
    known_weather,
    weather_until,
)
from phenology.ahead.known import known_on, last_day_written
from phenology.ahead.sessions import days_to_choose, planned_sessions
from phenology.ahead.skill import BEFORE, MIDWAY, MODEL, Trial, best_forecasts, past_skill, trials
from phenology.assess.season_counts import season_counts
from phenology.compilation import use_compilation_cache
from phenology.compute import Progress, end_with_parent, quiet
from phenology.errors import StudyError
from phenology.groups import assign_groups
from phenology.models.forecast_rivals import RIVALS
from phenology.models.refusal import Refused
from phenology.models.season import SeasonModel
from phenology.models.season_forecast import draw_counts
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE
from phenology.seasons import season_windows
from phenology.sitedays import join_site_days

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from phenology.models.season_counts import SeasonCounts
    from phenology.seasons import Window
    from phenology.study.study import Study

    Array = npt.NDArray[Any]

DRAWS = 400
LIKELY = 0.5  # chance of more birds than can be processed from which a day is left out


@dataclass(frozen=True)
class Forecast:
    """What to expect, day by day, and how far to trust it.

    Attributes
    ----------
    issued : Timestamp
        Nothing later was used.
    season : str
    captures : DataFrame
        site, date, day, group, forecast, expected, low, high: 90 % interval of the count.
    days : DataFrame
        site, date, weekday, device_hours, expected, low, high, capacity, processed, over_limit
        (chance of more birds than the capacity), rank; days likely to exceed it have no rank.
    skill : DataFrame
        From `phenology.ahead.skill.past_skill`.
    notes : tuple of str
        What a reader must know.
    """

    issued: pd.Timestamp
    season: str
    captures: pd.DataFrame
    days: pd.DataFrame
    skill: pd.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Task:
    """One species: what is known, what is asked."""

    known: SeasonCounts
    asked: SeasonCounts
    dates: Array
    lead: str
    seed: int
    scored: list[Trial]
    drivers_then: Mapping[tuple[str, int], dict[str, Array]]


def forecast_season(
    study: Study,
    season: int,
    *,
    issued: pd.Timestamp | None = None,
    weekdays: Sequence[str] = (),
    closed: Sequence[str] = (),
    device_hours: float | None = None,
    seasons_scored: int = 3,
    seed: int | None = None,
    jobs: int = 1,
    progress: Progress = quiet,
) -> Forecast:
    """Expect captures by day and group, and rank the days by birds that can be processed.

    Parameters
    ----------
    study : Study
    season : int
        Year in which the season begins.
    issued : Timestamp, optional
        Day of issue; by default the last day on which the study caught a bird or opened a trap.
    weekdays, closed : sequence of str
        As `phenology.ahead.sessions.days_to_choose` takes them.
    device_hours : float, optional
        Effort of each planned day; by default what the site is used to.
    seasons_scored : int
        Latest seasons that are forecast once more to show the past skill; 0 for none.
    seed, jobs, progress
        As `phenology.assess_study`.

    Raises
    ------
    StudyError
        If there is no effort sheet, the season is too far off, or no day is left.
    """
    if study.effort is None:
        raise StudyError(
            "Captures to come cannot be expected without an effort sheet.",
            "Write down when traps were opened and closed: a day's captures depend on it.",
        )
    issued = last_day_written(study) if issued is None else issued.normalize()
    seed = study.options.seed if seed is None else seed
    known = known_on(study, issued)
    if known.captures.empty or known.effort is None or known.effort.empty:
        raise StudyError(f"Nothing was known on {issued.date()}.", "Give a later --issued.")
    worked = pd.DatetimeIndex(known.effort["date"])
    window = _window_of(season_windows(study.options.seasons, worked), season, issued)
    latest = int(window.place(worked)["season"].max())
    if not latest <= season <= latest + 2:
        raise StudyError(
            f"Season {season} is not one to forecast from what was known on {issued.date()}.",
            f"Ask for {latest} to {latest + 2}.",
        )
    progress("Laying out the days", 0.02)
    days = days_to_choose(window, season, issued, weekdays, closed)
    sites = known.sites["site"].astype(str).to_list()
    planned = planned_sessions(known.effort, sites, days, device_hours)
    tasks = _tasks(known, planned, window, season, issued, seed, seasons_scored)
    drawn, skills = [], []
    for number, (told, scores) in enumerate(_each(tasks, jobs)):
        progress("Forecasting species by species", 0.1 + 0.85 * number / max(len(tasks), 1))
        drawn.append(told)
        skills.append(scores)
    if not drawn:
        raise StudyError("No species could be forecast.", "See 'site-support run' for the reasons.")
    told = pd.concat(drawn, ignore_index=True)
    limit = study.options.limits.get("birds_per_hour")
    return Forecast(
        issued=issued,
        season=window.label(season),
        captures=_by_group(told),
        days=_ranked(told, planned, limit),
        skill=pd.concat(skills, ignore_index=True),
        notes=_notes(limit, known),
    )


def _window_of(windows: tuple[Window, ...], season: int, issued: pd.Timestamp) -> Window:
    """The first window of the season that is not over on the day of issue."""
    begins = pd.Timestamp(season, 1, 1)
    for window in windows:
        if begins + pd.Timedelta(days=window.last_day - 1) > issued:
            return window
    raise StudyError(
        f"Season {season} was over on {issued.date()}.",
        "Ask for a later --season or earlier --issued.",
    )


def _tasks(
    known: Study,
    planned: pd.DataFrame,
    window: Window,
    season: int,
    issued: pd.Timestamp,
    seed: int,
    seasons_scored: int,
) -> list[_Task]:
    effort = pd.concat([known.effort, planned], ignore_index=True)
    laid_out = replace(known, sheets=known.sheets | {"effort": effort})
    groups = assign_groups(known.captures, known.options.group_by, seed)["group"]
    weather = known_weather(known, issued)
    site_days = weather_until(
        join_site_days(laid_out, groups, seed, weather, bloom_seasons_left_out=0), issued
    )
    species_of = site_days["species"].to_series()
    began = pd.Timestamp(season, 1, 1)
    tasks = []
    then: dict[tuple[str, int], dict[str, Array]] = {}  # alike for all species
    for number, species in enumerate(sorted(species_of.unique())):
        of_species = species_of.index[species_of == species].to_list()
        try:
            counts = season_counts(site_days, known.options, species, of_species, window)
        except Refused:
            continue  # a species never caught in this window
        first = int(counts.seasons[0].split()[0])
        dates = np.array(
            [np.datetime64(f"{first + year}-01-01") for year in counts.season]
        ) + np.array(counts.day - 1, dtype="timedelta64[D]")
        asked = dates > np.datetime64(issued.date())
        in_season = (counts.season == season - first) & ~asked
        lead = MIDWAY if in_season.any() and issued >= began else BEFORE
        drivers = drivers_on_site_days(known, site_days, weather, window, counts)
        counts = replace(counts, drivers=drivers)
        kept = counts.taken(~asked)
        if not kept.count.any():
            continue
        scored = trials(kept, seasons_scored) if seasons_scored else []
        new = [trial for trial in scored if (trial.lead, trial.season) not in then]
        then |= drivers_of_trials(known, groups, window, kept, new, seed)
        tasks.append(
            _Task(kept, counts.taken(asked), dates[asked], lead, seed + number, scored, then)
        )
    return tasks


def _each(tasks: list[_Task], jobs: int) -> Any:
    if jobs == 1 or len(tasks) < 2:
        yield from map(_forecast, tasks)
        return
    number = min(jobs, len(tasks))
    with ProcessPoolExecutor(number, get_context("spawn"), end_with_parent) as workers:
        yield from workers.map(_forecast, tasks)


def _forecast(task: _Task) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Draws of one species' counts on the planned days, each group by its best forecast."""
    use_compilation_cache()
    scores = (
        past_skill(task.known, task.seed, task.scored, task.drivers_then)
        if task.scored
        else pd.DataFrame()
    )
    best = best_forecasts(scores, task.known.groups, task.lead)
    rows = task.asked.table()
    rows["date"] = task.dates.astype("datetime64[s]")
    drawn = np.zeros((DRAWS, len(rows)))
    try:
        model = SeasonModel(draws=DRAWS, seed=task.seed).fit(task.known)
        by_model = draw_counts(model.posterior_, task.asked, task.seed)
    except Refused:
        by_model = None
        best = {g: name if name != MODEL else "mean season" for g, name in best.items()}
    for name in set(best.values()):
        of_name = rows["group"].map(best).eq(name).to_numpy()
        if name == MODEL and by_model is not None:
            drawn[:, of_name] = by_model[:, of_name]
        else:
            rival = RIVALS[name]().fit(task.known.table())
            rng = np.random.default_rng(task.seed)
            drawn[:, of_name] = rival.draw(rows[of_name].reset_index(drop=True), DRAWS, rng)
    rows["forecast"] = rows["group"].map(best)
    rows["drawn"] = list(drawn.T)
    return rows.drop(columns=["count", "season"]), scores


def _by_group(told: pd.DataFrame) -> pd.DataFrame:
    drawn = np.stack(told["drawn"].to_list())
    table = told[["site", "date", "day", "group", "forecast"]].copy()
    table["expected"] = drawn.mean(1)
    table["low"], table["high"] = np.quantile(drawn, [LOW_QUANTILE, HIGH_QUANTILE], axis=1)
    return table.sort_values(["site", "date", "group"], ignore_index=True)


def _ranked(told: pd.DataFrame, planned: pd.DataFrame, limit: float | None) -> pd.DataFrame:
    """Days by the birds that can be processed: the expected minimum of birds and capacity."""
    summed = {
        place: np.sum(together["drawn"].to_list(), axis=0)
        for place, together in told.groupby(["site", "date"])
    }
    session = planned.set_index(["site", "date"])
    days = []
    for (site, day), birds in summed.items():
        at = session.loc[(site, day)]
        hours = float(at["close"] - at["open"])
        capacity = np.inf if limit is None else limit * hours
        low, high = np.quantile(birds, [LOW_QUANTILE, HIGH_QUANTILE])
        days.append(
            {
                "site": site,
                "date": day,
                "weekday": f"{day:%a}",
                "device_hours": float(at["traps"]) * hours,
                "expected": birds.mean(),
                "low": low,
                "high": high,
                "capacity": capacity if limit is not None else np.nan,
                "processed": np.minimum(birds, capacity).mean(),
                "over_limit": float((birds > capacity).mean()),
            }
        )
    table = pd.DataFrame(days)
    fit = table["over_limit"] < LIKELY
    table["rank"] = table["processed"].where(fit).rank(ascending=False, method="first")
    return table.sort_values(["rank", "over_limit"], ignore_index=True)


def _notes(limit: float | None, known: Study) -> tuple[str, ...]:
    notes = [
        "A forecast does not authorise capture: permits, trained hands, and the permit's limits of "
        "weather and handling come first. Someone watches every trap; stop when birds queue."
    ]
    if limit is None:
        notes.append(
            "No hourly limit was set, so no day was left out as too busy: put your permit's and "
            "trainer's birds_per_hour under [limits] in study.toml."
        )
    if "bloom" not in known.sheets:
        notes.append("Without bloom surveys, late birds and late bait cannot be told apart.")
    return tuple(notes)
