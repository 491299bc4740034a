"""Fitted support models as datasets and back, so that scenarios read a finished run."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from phenology.assess.support_rows import Birds

if TYPE_CHECKING:
    from collections.abc import Mapping

    from phenology.assess.support import SupportAnswers
    from phenology.models.support_fit import RoleFit

BIRDS = "birds"
_KEPT_COLUMNS = ("site", "season", "day", "species", "monsoon_onset")


def pack_support(support: SupportAnswers) -> dict[str, xr.Dataset]:
    """Everything that scenarios and comparisons need, as datasets fit for NetCDF.

    Parameters
    ----------
    support : SupportAnswers

    Returns
    -------
    dict of Dataset
        "birds", then one an outcome and role, named "outcome role".
    """
    table = support.birds.table
    kept = [column for column in _KEPT_COLUMNS if column in table]
    birds = xr.Dataset({column: ("bird", table[column].to_numpy()) for column in kept})
    for driver, draws in support.flowers.items():
        birds[f"flowers {driver}"] = ("flower_draw", draws)
    packed = {BIRDS: birds}
    for quantity, model in support.models.items():
        for role, fit in model.roles_.items():
            packed[f"{quantity} {role}"] = _pack_role(fit).assign_attrs(
                kind=model.kind, quantity=quantity, role=role
            )
    return packed


def unpack_support(packed: Mapping[str, xr.Dataset]) -> SupportAnswers:
    """The models of `pack_support`; their summaries and diagnostics stay with the run.

    Parameters
    ----------
    packed : mapping of str to Dataset

    Returns
    -------
    SupportAnswers
        Fit for `compare_sites` and `tell_scenarios`.
    """
    from phenology.assess.support import SupportAnswers
    from phenology.models.support import SupportModel

    birds = packed[BIRDS]
    table = pd.DataFrame({column: birds[column].values for column in _KEPT_COLUMNS
                          if column in birds})  # fmt: skip
    flowers = {
        str(name).removeprefix("flowers "): birds[name].values
        for name in birds.data_vars
        if str(name).startswith("flowers ")
    }
    models: dict[str, Any] = {}
    for name, dataset in packed.items():
        if name == BIRDS:
            continue
        quantity, role = dataset.attrs["quantity"], dataset.attrs["role"]
        if quantity not in models:
            models[quantity] = SupportModel(dataset.attrs["kind"])
            models[quantity].roles_ = {}
        models[quantity].roles_[role] = _unpack_role(dataset)
    return SupportAnswers(models, Birds(table, {}, None), flowers, {}, pd.DataFrame())


def _pack_role(fit: RoleFit) -> xr.Dataset:
    design = fit.design
    drivers = list(design.values)
    dataset = xr.Dataset(
        {
            "rows": ("bird", fit.rows),
            "chance": ("bird", fit.chance),
            "columns": (("bird", "column"), design.columns),
            "prior_sd": ("column", design.prior_sd),
            "site_of": ("bird", design.site),
            "season_of": ("bird", design.season),
            "coefficients": (("draw", "coefficient"), fit.coefficients),
            "site": ("site", np.array(design.site_names, dtype=str)),
            "season": ("season", np.array(design.season_names, dtype=str)),
        }
    )
    if drivers:
        dataset["driver"] = ("driver", np.array(drivers, dtype=str))
        dataset["values"] = (("driver", "bird"), np.stack([design.values[d] for d in drivers]))
        means = np.stack([design.site_mean[driver] for driver in drivers])
        dataset["site_mean"] = (("driver", "site"), means)
    for effect in design.effects:
        dataset[f"level {effect.name}"] = ("bird", effect.level)
    told = [[*key, words] for key, words in design.refused.items()]
    noted = [[*key, words] for key, words in design.notes.items()]
    return dataset.assign_attrs(
        scale=fit.scale,
        efficiency=fit.efficiency,
        feeder_share=design.feeder_share,
        effects=json.dumps([[effect.name, effect.count] for effect in design.effects]),
        within=json.dumps(design.within),
        between=json.dumps(design.between),
        refused=json.dumps(told),
        notes=json.dumps(noted),
    )


def _unpack_role(dataset: xr.Dataset) -> RoleFit:
    from phenology.models.mixed_effects_rows import RandomEffect
    from phenology.models.support_design import RoleDesign
    from phenology.models.support_fit import RoleFit

    attrs = dataset.attrs
    drivers = dataset["driver"].values.tolist() if "driver" in dataset else []
    words = {
        part: {(driver, side): said for driver, side, said in json.loads(attrs[part])}
        for part in ("refused", "notes")
    }
    design = RoleDesign(
        columns=dataset["columns"].values,
        effects=tuple(
            RandomEffect(name, dataset[f"level {name}"].values, count)
            for name, count in json.loads(attrs["effects"])
        ),
        site=dataset["site_of"].values,
        season=dataset["season_of"].values,
        site_names=tuple(dataset["site"].values.tolist()),
        season_names=tuple(dataset["season"].values.tolist()),
        values={driver: dataset["values"].values[place] for place, driver in enumerate(drivers)},
        site_mean={
            driver: dataset["site_mean"].values[place] for place, driver in enumerate(drivers)
        },
        within=json.loads(attrs["within"]),
        between=json.loads(attrs["between"]),
        prior_sd=dataset["prior_sd"].values,
        feeder_share=float(attrs["feeder_share"]),
        **words,
    )
    return RoleFit(
        design,
        dataset["rows"].values,
        dataset["chance"].values,
        dataset["coefficients"].values,
        float(attrs["scale"]),
        float(attrs["efficiency"]),
    )
