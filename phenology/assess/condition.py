"""Lean mass, fuel load and lean condition: from captures to answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenology.assess.potential_range import COLUMNS, assess_potential_range
from phenology.models.refusal import Refused
from phenology.sun import hours_since_sunrise

if TYPE_CHECKING:
    import xarray as xr

    from phenology.estimates import Estimates
    from phenology.study.study import Study

BIRD_COLUMNS = ("lean_mass_g", "fuel_load")
AT_SUNRISE = "birds of one fat class, at sunrise with an empty crop"
FEWEST_BIRDS = 5  # of a group at a site in a season, for a row of its own


@dataclass(frozen=True)
class Condition:
    """What the mass of the birds taught."""

    birds: pd.DataFrame  # as captures: lean_mass_g, fuel_load, each with _low and _high
    draws: dict[str, xr.Dataset]
    diagnostics: pd.DataFrame


def assess_condition(
    study: Study, groups: pd.Series, seasons: pd.Series, answers: Estimates, seed: int
) -> Condition:
    """Fit lean mass over all birds and report fuel, condition and range by group.

    Parameters
    ----------
    study : Study
    groups, seasons : Series
        Group and season label of each capture, indexed as `study.captures`.
    answers : Estimates
        Gains fuel_load, lean_mass_g, lean_condition and potential_range_km.
    seed : int
    """
    from phenology.models.lean_mass import LeanMassModel

    table = bird_table(study, groups)
    columns = [f"{name}{end}" for name in BIRD_COLUMNS for end in ("", "_low", "_high")]
    try:
        model = LeanMassModel(by=("birds",), seed=seed).fit(table)
    except Refused as reason:
        for quantity in ("lean_mass_g", "fuel_load", "lean_condition", "potential_range_km"):
            answers.refuse(quantity, str(reason))
        nothing = pd.DataFrame(np.nan, index=table.index, columns=[*columns, *COLUMNS])
        return Condition(nothing, {}, pd.DataFrame())
    diagnostics = model.diagnostics_.assign(model="lean mass")
    keys = pd.DataFrame({"group": groups, "season": seasons, "site": study.captures["site"]})
    _report_groups(model.groups_, answers)
    _report_classes(model.fuel_classes_, table, study.fat_levels, answers)
    _report_fuel(model.fuel_by(keys), answers)
    _report_condition(model.lean_condition(keys[["group", "season"]]), answers)
    reach, reach_draws = assess_potential_range(
        model.bird_draws_, study.captures["species"], groups, answers, seed
    )
    return Condition(
        model.birds_[columns].reindex(table.index).join(reach),
        {
            "lean_mass": model.draws_,
            "birds": model.bird_draws_.assign(potential_range_km=reach_draws),
        },
        diagnostics,
    )


def bird_table(study: Study, groups: pd.Series) -> pd.DataFrame:
    """Captures as the models of the bird in the hand want them."""
    captures = study.captures
    order = {level: place for place, level in enumerate(study.fat_levels)}
    species = captures["species"]
    return pd.DataFrame(
        {
            "species": species,
            "birds": [
                group.removeprefix(name).strip()
                for group, name in zip(groups, species, strict=True)
            ],
            "mass_g": captures["mass_g"],
            "wing_mm": captures["wing_mm"],
            "fat_class": captures["fat"].map(order).fillna(-1).astype(int),
            "hours_since_sunrise": hours_since_sunrise(captures, study.sites),
            "crop": captures["crop"],
            "fed_before_weighing": captures["fed_before_weighing"],
            "gravid": captures["gravid"],
            "band": captures["band"],
        },
        index=captures.index,
    )


def _report_groups(groups: pd.DataFrame, answers: Estimates) -> None:
    for row in groups.to_dict("records"):
        for quantity in ("lean_mass_g", "fuel_load"):
            interval = tuple(row[f"{quantity}{end}"] for end in ("", "_low", "_high"))
            answers.add_interval(
                quantity, interval, birds=row["birds"], basis="measured", group=row["group"]
            )


def _report_classes(
    classes: pd.DataFrame, birds: pd.DataFrame, levels: tuple[str, ...], answers: Estimates
) -> None:
    """Fuel of each fat class that was caught; the lowest class has none, by definition."""
    caught = birds.groupby(["species", "fat_class"]).size()
    for row in classes.to_dict("records"):
        number = int(caught.get((row["species"], row["fat_class"]), 0))
        if number == 0 or row["fat_class"] == 0:
            continue
        answers.add_interval(
            "fuel_load",
            (row["estimate"], row["low"], row["high"]),
            birds=number,
            basis="measured",
            note=AT_SUNRISE,
            definition=f"fat class {levels[row['fat_class']]}",
            group=row["species"],
        )


def _report_fuel(table: pd.DataFrame, answers: Estimates) -> None:
    for row in table.to_dict("records"):
        key = {"site": row["site"], "season": row["season"], "group": row["group"]}
        if row["birds"] < FEWEST_BIRDS:
            continue
        interval = (row["estimate"], row["low"], row["high"])
        answers.add_interval("fuel_load", interval, birds=row["birds"], basis="measured", **key)


def _report_condition(table: pd.DataFrame, answers: Estimates) -> None:
    for row in table.to_dict("records"):
        key = {"season": row["season"], "group": row["group"]}
        if row["refused"]:
            answers.refuse("lean_condition", row["refused"], birds=row["birds"], **key)
        else:
            interval = (row["estimate"], row["low"], row["high"])
            answers.add_interval(
                "lean_condition", interval, birds=row["birds"], basis="measured", **key
            )
