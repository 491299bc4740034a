"""Seasons of simulated birds that follow no curve, as the season model is given them."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.season import SeasonModel
from phenology.models.season_answers import DATE_NAMES
from phenology.models.season_counts import BAITED_TRAP, UNBAITED_NET, SeasonCounts
from phenology.models.simulated_season import SimulatedStudy, simulate
from phenology.models.simulated_season_world import Plan, make_world

Array = npt.NDArray[Any]

SPECIES = {"Selasphorus rufus": "passage", "Selasphorus platycercus": "local"}
SITES, SEASONS = 2, 6
EVERY_DAYS = 4
FIRST_DAY, LAST_DAY = 160, 283  # the season's window [day of year]
_KEY = ["site", "season", "day", "method"]


def individual_study(seed: int) -> pd.DataFrame:
    """Dates of one species at two sites, six years, every fourth day.

    The oracle is the same model had the traps been worked every day: the width that is left when
    nothing is lost between sampling days.
    """
    species, role = list(SPECIES.items())[seed % len(SPECIES)]
    drawn = {}
    for every in (1, EVERY_DAYS):
        plan = Plan(first_day=FIRST_DAY + 10, last_day=LAST_DAY - 13, every_days=every, nets=2)
        study = simulate(make_world(SITES, SEASONS, plan=plan), seed)
        counts = counts_of(study, species, role)
        drawn[every] = SeasonModel(seed=seed).fit(counts).draws_.sel(role=role)
    timing = study.truth["timing"]
    timing = timing[timing["role"] == role].set_index(["group", "site", "season"])
    tables = []
    for name in DATE_NAMES:
        quantiles = {
            every: draws[name].quantile([0.05, 0.5, 0.95], "draw").to_numpy()
            for every, draws in drawn.items()
        }
        low, middle, high = quantiles[EVERY_DAYS].reshape(3, -1)
        grid = pd.MultiIndex.from_product([counts.groups, counts.sites, map(int, counts.seasons)])
        columns: dict[str, Any] = {
            "truth": timing[name].reindex(grid).to_numpy(),
            "estimate": middle,
            "low": low,
            "high": high,
            "oracle_width": (quantiles[1][2] - quantiles[1][0]).ravel(),
        }
        table = pd.DataFrame(columns).dropna()
        if role == "local":  # a run refuses dates outside the days worked
            worked = table["estimate"].between(counts.day.min(), counts.day.max())
            table = table[worked]
        tables.append(table.assign(quantity=name))
    return pd.concat(tables, ignore_index=True).assign(scenario="individual-based")


def counts_of(
    study: SimulatedStudy, species: str, role: str, first_day: int = FIRST_DAY
) -> SeasonCounts:
    """Distinct birds of a species by day and method, with hours, nectar and feeders."""
    sheet, effort = study.sheets["captures"], study.sheets["effort"].copy()
    truth = study.truth["captures"]
    effort["method"] = np.where(effort["baited"] == "yes", BAITED_TRAP, UNBAITED_NET)
    opened, closed = (
        pd.to_timedelta(effort[name] + ":00").dt.total_seconds() for name in ("open", "close")
    )
    effort["hours"] = (closed - opened) / 3600 * effort["traps"]
    date = pd.to_datetime(effort["date"])
    effort["season"], effort["day"] = date.dt.year, date.dt.day_of_year
    effort["full"] = effort["closed_because"].eq("full")
    worked = effort.groupby(_KEY).agg(hours=("hours", "sum"), full=("full", "any")).reset_index()
    of_trap = effort.set_index(["site", "date", "trap"])["method"]
    trap = pd.MultiIndex.from_frame(sheet[["site", "date", "trap"]])
    caught = truth.assign(method=of_trap.reindex(trap).to_numpy())
    caught = caught[caught["species"] == species]
    caught = caught.assign(group=caught[["species", "age", "sex"]].agg(" ".join, axis=1))
    timed = study.truth["timing"]
    timed = timed[(timed["role"] == role) | (role == "mixed")]["group"].unique()
    groups = tuple(sorted(name for name in timed if name.startswith(f"{species} ")))
    birds = caught.groupby([*_KEY, "group"])["bird"].nunique()
    rows = worked.merge(pd.DataFrame({"group": groups}), how="cross")
    index = pd.MultiIndex.from_frame(rows[[*_KEY, "group"]])
    nectar = study.truth["nectar"].set_index(["site", "season", "day"])
    there = nectar.reindex(pd.MultiIndex.from_frame(rows[_KEY[:3]]))
    log_nectar = np.log(np.maximum(there["standing_kj_per_ha"].to_numpy(), 1.0))
    sites = tuple(station.site for station in study.world.stations)
    seasons = study.world.seasons
    return SeasonCounts(
        count=birds.reindex(index).fillna(0).to_numpy(int),
        group=rows["group"].map(groups.index).to_numpy(),
        site=rows["site"].map(sites.index).to_numpy(),
        season=rows["season"].to_numpy() - seasons[0],
        day=rows["day"].to_numpy(float),
        groups=groups,
        sites=sites,
        seasons=tuple(map(str, seasons)),
        roles=(role,) * len(groups),
        first_day=float(first_day),
        last_day=float(LAST_DAY),
        log_effort=np.log(rows["hours"] / rows["hours"].median()).to_numpy(),
        censored=rows["full"].to_numpy(),
        log_nectar=log_nectar - log_nectar.mean(),
        method=rows["method"].to_numpy(),
        rivals=(there["feeder_ports"] > 0).to_numpy(float),
        seen_again=_seen_again(caught, worked),
    )


def _seen_again(caught: pd.DataFrame, worked: pd.DataFrame) -> tuple[int, int]:
    """Days caught, and days worked, between the first and last capture of birds seen again."""
    days = caught.drop_duplicates(["bird", "season", "site", "day"])
    spans = days.groupby(["bird", "season", "site"])["day"].agg(["min", "max", "count"])
    spans = spans[spans["count"] > 1].reset_index()
    every = worked.drop_duplicates(["site", "season", "day"])
    between = spans.merge(every, on=["site", "season"])
    inside = (between["day"] > between["min"]) & (between["day"] < between["max"])
    return int((spans["count"] - 2).sum()), int(inside.sum())
