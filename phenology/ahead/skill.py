"""How well forecasts went: seasons left out, and seasons forecast from earlier ones."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenology.models.forecast_rivals import RIVALS
from phenology.models.forecast_scores import score_table, skill
from phenology.models.refusal import Refused
from phenology.models.season import SeasonModel
from phenology.models.season_forecast import draw_counts

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from phenology.models.season_counts import SeasonCounts

    Array = npt.NDArray[Any]

MODEL = "season model"
BASELINE = "mean season"
BEFORE, MIDWAY, LEFT_OUT = "before the season", "captures to mid-season", "season left out"
FEWEST_DAYS = 4  # sampled in a season that is forecast
FEWEST_EARLIER = 2  # seasons before it
FEWEST_BIRDS = 30  # of a group, from which its own scores choose its forecast
DRAWS = 200
POINTS = 24  # of hyperparameters: a past season is fitted for its score, not for an answer


@dataclass(frozen=True)
class Trial:
    """One season to be forecast, and the rows that may be known."""

    lead: str
    season: int
    known: Array
    asked: Array


def trials(counts: SeasonCounts, last: int = 3, leave_out: bool = False) -> list[Trial]:
    """The latest seasons with enough days, each from the seasons before it.

    Parameters
    ----------
    counts : SeasonCounts
    last : int
        How many seasons are forecast, counted from the latest.
    leave_out : bool
        Forecast every season from all the others, later ones too, instead.
    """
    days = pd.Series(counts.day).groupby(counts.season).nunique()
    sampled = days.index[days >= FEWEST_DAYS].to_numpy()
    if leave_out:
        return [
            Trial(LEFT_OUT, int(season), counts.season != season, counts.season == season)
            for season in sampled
        ]
    asked = []
    for season in sampled[FEWEST_EARLIER:][-last:]:
        earlier, inside = counts.season < season, counts.season == season
        middle = np.median(np.unique(counts.day[inside]))
        late = inside & (counts.day > middle)
        asked.append(Trial(BEFORE, int(season), earlier, inside))
        asked.append(Trial(MIDWAY, int(season), earlier | (inside & ~late), late))
    return asked


def past_skill(
    counts: SeasonCounts,
    seed: int,
    asked: Sequence[Trial],
    drivers_then: Mapping[tuple[str, int], dict[str, Array]] | None = None,
) -> pd.DataFrame:
    """Scores of the season model and its rivals on seasons already over.

    Every forecast of a season knows only the rows that its trial allows, and the drivers as they
    were known then, by lead and season; none where nothing was.

    Returns
    -------
    DataFrame
        lead, group, forecast, seasons, rows, birds, crps, skill (against the mean season),
        cover_80, cover_95, peak_error_days; empty where too few seasons were sampled.
    """
    scored = []
    for trial in asked:
        drivers = (drivers_then or {}).get((trial.lead, trial.season), {})
        known = replace(counts.taken(trial.known), drivers=drivers)
        later = counts.taken(trial.asked)
        later = replace(later, log_nectar=np.zeros(len(later.day)))  # nobody knew it yet
        rows = later.table()
        for name, drawn in _forecasts(known, later, seed):
            table = score_table(rows, drawn, name)
            scored.append(table.assign(lead=trial.lead, season=trial.season))
    if not scored:
        return pd.DataFrame()
    return _over_seasons(pd.concat(scored, ignore_index=True))


def _forecasts(known: SeasonCounts, asked: SeasonCounts, seed: int) -> list[tuple[str, Array]]:
    told, later = known.table(), asked.table()
    drawn = []
    for name, rival in RIVALS.items():
        fitted = rival().fit(told)
        drawn.append((name, fitted.draw(later, DRAWS, np.random.default_rng(seed))))
    try:
        model = SeasonModel(draws=DRAWS, points=POINTS, seed=seed, method="laplace").fit(known)
        drawn.append((MODEL, draw_counts(model.posterior_, asked, seed)))
    except Refused:
        pass  # a season that the model refuses has only its rivals
    return drawn


def _over_seasons(scored: pd.DataFrame) -> pd.DataFrame:
    measures = ["crps", "cover_80", "cover_95", "peak_error_days"]
    keys = ["lead", "group", "forecast"]
    weighted = scored[measures].mul(scored["rows"], axis=0)
    known = scored[measures].notna().astype(float).mul(scored["rows"], axis=0)
    sums = weighted.groupby([scored[key] for key in keys]).sum()
    table = sums / known.groupby([scored[key] for key in keys]).sum()
    counted = scored.groupby(keys)
    table = table.assign(
        seasons=counted["season"].nunique(),
        rows=counted["rows"].sum(),
        birds=counted["birds"].sum(),
    )
    table = table.reset_index()
    base = table[table["forecast"] == BASELINE].set_index(["lead", "group"])["crps"]
    at = pd.MultiIndex.from_frame(table[["lead", "group"]])
    table["skill"] = [
        skill(score, baseline)
        for score, baseline in zip(table["crps"], base.reindex(at), strict=True)
    ]
    order = ["lead", "group", "forecast", "seasons", "rows", "birds", "crps", "skill"]
    return table[[*order, "cover_80", "cover_95", "peak_error_days"]]


def best_forecasts(scores: pd.DataFrame, groups: tuple[str, ...], lead: str) -> dict[str, str]:
    """The forecast with the lowest CRPS of each group; the season model where nothing is known.

    A group of few birds takes the forecast that did best over all groups together.
    """
    if scores.empty or lead not in set(scores["lead"]):
        return dict.fromkeys(groups, MODEL)
    at_lead = scores[scores["lead"] == lead]
    together = (at_lead["crps"] * at_lead["rows"]).groupby(at_lead["forecast"]).sum()
    many = at_lead[at_lead["birds"] >= FEWEST_BIRDS]
    best = many.loc[many.groupby("group")["crps"].idxmin()].set_index("group")["forecast"]
    return {group: str(best.get(group, together.idxmin())) for group in groups}
