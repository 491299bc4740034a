"""Simulated birds of a mixed species: dates of its season by counts and traits, and by counts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.season import SeasonModel
from phenology.models.season_answers import DATE_NAMES
from phenology.models.season_calibration_birds import counts_of
from phenology.models.season_counts import BirdTraits, SeasonCounts
from phenology.models.season_traits import log_ratio_beforehand
from phenology.models.simulated_season import SimulatedStudy, simulate
from phenology.models.simulated_season_world import SPECIES, Plan, make_world
from phenology.quantities import ROLES

Array = npt.NDArray[Any]

MIXED = next(kind for kind in SPECIES if kind.role == "mixed")
SITES, SEASONS, EVERY_DAYS = 2, 6, 3
FIRST_DAY = 121  # of the season's window [day of year]
FIRST_WORKED, LAST_WORKED = 131, 270
_ROW = ["bird", "season", "site", "day"]
_FAT_CLASSES = 6


def mixed_study(seed: int) -> pd.DataFrame:
    """Dates of both roles at two sites, six years, every third day, by the quick method."""
    plan = Plan(first_day=FIRST_WORKED, last_day=LAST_WORKED, every_days=EVERY_DAYS, nets=2)
    study = simulate(make_world(SITES, SEASONS, plan=plan, species=(MIXED,)), seed)
    alone = counts_of(study, MIXED.name, "mixed", FIRST_DAY)
    told = replace(alone, traits=_traits_of(study, alone))
    return pd.concat(
        [
            _dates(SeasonModel(seed=seed, method="moved").fit(counts), study, counts, name)
            for name, counts in (("traits", told), ("simple: counts alone", alone))
        ],
        ignore_index=True,
    ).assign(oracle_width=np.nan)


def _traits_of(study: SimulatedStudy, counts: SeasonCounts) -> BirdTraits:
    """Signs of breeding, moult and fat of every bird and day, as its bander wrote them."""
    sheet, table = study.sheets["captures"], study.truth["captures"]
    group = table[["species", "age", "sex"]].agg(" ".join, axis=1)
    written = sheet.replace("", np.nan)
    marks = pd.DataFrame(
        {
            "breeds": (written[["breeding", "gravid"]] == "yes").any(axis=1).astype(int),
            "moults": (written["body_moult"] != "none").astype(int),
            "fat": pd.to_numeric(written["fat"]).clip(upper=_FAT_CLASSES - 1),
        }
    ).where(written[["breeding", "body_moult", "fat"]].notna().to_numpy())
    levels = marks.fillna(-1).astype(int)
    kept = group.isin(counts.groups) & (levels >= 0).any(axis=1).to_numpy()
    kept &= ~table[kept].duplicated(_ROW).reindex(table.index, fill_value=True)
    table, group, levels = table[kept], group[kept], levels[kept.to_numpy()].to_numpy()
    return BirdTraits(
        group=group.map(counts.groups.index).to_numpy(),
        site=table["site"].map(counts.sites.index).to_numpy(),
        season=table["season"].to_numpy() - int(counts.seasons[0]),
        day=table["day"].to_numpy(float),
        log_ratio=log_ratio_beforehand(levels[:, 0], levels[:, 2], _FAT_CLASSES),
        bird=table.groupby(["bird", "season", "site"]).ngroup().to_numpy(),
        levels=levels,
    )


def _dates(
    model: SeasonModel, study: SimulatedStudy, counts: SeasonCounts, scenario: str
) -> pd.DataFrame:
    """Quantiles of the dates of either role beside the truth."""
    grid = pd.MultiIndex.from_product([counts.groups, counts.sites, map(int, counts.seasons)])
    tables = []
    for role in ROLES:
        timing = study.truth["timing"].query("role == @role").set_index(["group", "site", "season"])
        for name in DATE_NAMES:
            drawn = model.draws_[name].sel(role=role)
            low, middle, high = drawn.quantile([0.05, 0.5, 0.95], "draw").to_numpy().reshape(3, -1)
            truth = timing[name].reindex(grid).to_numpy()
            columns = {"truth": truth, "estimate": middle, "low": low, "high": high}
            table = pd.DataFrame(columns).dropna()
            if role == "local":  # a run refuses dates outside the days worked
                table = table[table["estimate"].between(FIRST_WORKED, LAST_WORKED)]
            tables.append(table.assign(quantity=name, scenario=f"{scenario}, {role}"))
    return pd.concat(tables, ignore_index=True)
