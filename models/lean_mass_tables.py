"""What a fit of lean mass tells: draws by name, tables of birds and groups, diagnostics."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.models.checks import Check, at_least, at_most, table_of_checks
from phenology.models.laplace import LaplaceFit, identified
from phenology.models.lean_mass_rows import Layout, Prepared, bird_places
from phenology.models.lean_mass_split import class_log_fuel
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

Array = npt.NDArray[np.float64]


def parameter_draws(layout: Layout, theta: Array, phi: Array) -> xr.Dataset:
    """Draws of the parameters by name, from draws of θ, (draw, K), and φ, (draw, P)."""
    local = theta[:, layout.places]  # (draw, G, L)
    first = [layout.group_species.index(species) for species in layout.species]
    fuel = np.expm1(class_log_fuel(local[:, first]))
    return xr.Dataset(
        {
            "log_lean_mass": (("draw", "group"), local[:, :, 0] + local[:, :, 1]),
            "exponent": (("draw", "species"), (local[:, :, 2] + local[:, :, 3])[:, first]),
            "class_fuel_load": (("draw", "species", "fat_class"), fuel),
            "hour_effect": ("draw", local[:, 0, 4]),
            "crop_part_effect": ("draw", local[:, 0, 5]),
            "crop_full_effect": ("draw", local[:, 0, 6]),
            "fed_effect": ("draw", local[:, 0, 7]),
            "scatter_sd": ("draw", np.exp(phi[:, 0])),
            "fuel_scatter": ("draw", np.exp(phi[:, 1])),
            "tail_df": ("draw", 2 + np.exp(phi[:, 2])),
            "group_sd": ("draw", np.exp(phi[:, 3])),
            "misread": ("draw", 1 / (1 + np.exp(-phi[:, 4]))),
        },
        coords={
            "group": list(layout.groups),
            "species": list(layout.species),
            "fat_class": np.arange(layout.classes),
        },
    )


def bird_table(
    table: pd.DataFrame, used: pd.DataFrame, reason: pd.Series[str], split: xr.Dataset
) -> pd.DataFrame:
    """Lean mass and fuel load of every bird of `table`, or why it has none."""
    result = pd.DataFrame({"group": table["group"]})
    for name in ("lean_mass_g", "fuel_load"):
        quantiles = np.quantile(split[name].values, [0.5, LOW_QUANTILE, HIGH_QUANTILE], axis=0)
        for column, values in zip((name, f"{name}_low", f"{name}_high"), quantiles, strict=True):
            result[column] = pd.Series(values, index=used.index)
    result["left_out"] = reason
    return result


def group_table(
    used: pd.DataFrame,
    by: tuple[str, ...],
    prepared: Prepared,
    theta: Array,
    split: xr.Dataset,
) -> pd.DataFrame:
    """Lean mass of each group at its mean size, and the mean fuel load of its birds."""
    size = mean_size(used, prepared)
    table = []
    for place, group in enumerate(prepared.layout.groups):
        members = np.flatnonzero(used["group"].to_numpy() == group)
        if not members.size:
            continue
        local = theta[:, prepared.layout.places[place]]
        lean = np.exp(local[:, 0] + local[:, 1] + (local[:, 2] + local[:, 3]) * size[group])
        fuel = split["fuel_load"].values[:, members].mean(axis=1)
        first = used.iloc[members[0]]
        row = {"group": group, "species": first["species"]}
        row |= {column: first[column] for column in by} | {"birds": len(members)}
        for name, values in (("lean_mass_g", lean), ("fuel_load", fuel)):
            low, middle, high = np.quantile(values, [LOW_QUANTILE, 0.5, HIGH_QUANTILE])
            row |= {name: middle, f"{name}_low": low, f"{name}_high": high}
        table.append(row)
    return pd.DataFrame(table)


def learning_shares(
    used: pd.DataFrame, prepared: Prepared, fit: LaplaceFit, information: Array, prior_sd: Array
) -> pd.DataFrame:
    """What a group's own birds, other birds and the prior taught of its lean mass, by group.

    Parameters
    ----------
    used : DataFrame
        Birds of the fit.
    prepared : Prepared
    fit : LaplaceFit
    information : array, (G, L, L)
        Hessian of the birds of each group in its local θ.
    prior_sd : array, (K,)
    """
    layout, size = prepared.layout, mean_size(used, prepared)
    shares = {}
    for group in size.index:
        place = layout.groups.index(group)
        slope, local = np.zeros(layout.size), layout.places[place]
        slope[local[:4]] = [1.0, 1.0, size[group], size[group]]
        rest = fit.hessian.copy()
        rest[np.ix_(local, local)] -= information[place]
        everything = slope @ np.linalg.solve(fit.hessian, slope)
        others = slope @ np.linalg.solve(rest, slope)
        nothing = float((slope * prior_sd) @ (slope * prior_sd))
        own = float(np.clip(1 - everything / others, 0, 1)) if others > 0 else 1.0
        prior = float(np.clip(everything / nothing, 0, 1 - own))
        shares[group] = (own, 1 - own - prior, prior)
    columns = ["share_own", "share_borrowed", "share_prior"]
    return pd.DataFrame.from_dict(shares, orient="index", columns=columns)


def mean_size(used: pd.DataFrame, prepared: Prepared) -> pd.Series[float]:
    """Mean log wing of each group, from the usual wing of its species."""
    log_wing = prepared.rows(used).log_wing
    return pd.Series(log_wing).groupby(used["group"].to_numpy()).mean()


def class_table(class_fuel_load: xr.DataArray) -> pd.DataFrame:
    """Fuel load of each fat class, by species: estimate, low, high."""
    values = class_fuel_load.transpose("draw", "species", "fat_class").values
    low, middle, high = np.quantile(values, [LOW_QUANTILE, 0.5, HIGH_QUANTILE], axis=0)
    dims = ["species", "fat_class"]
    index = pd.MultiIndex.from_product([class_fuel_load.indexes[dim] for dim in dims], names=dims)
    columns = {"estimate": middle.ravel(), "low": low.ravel(), "high": high.ravel()}
    return pd.DataFrame(columns, index=index).reset_index()


def diagnose(used: pd.DataFrame, prepared: Prepared, fit: LaplaceFit) -> pd.DataFrame:
    """Whether the fit holds, as statistic, value, threshold, passed and what it means."""
    lowest = int((used["fat_class"] == 0).sum())
    timed = float(used["hours_since_sunrise"].notna().mean())
    wings = float(used["wing_mm"].notna().mean())
    again = len(used) - len(np.unique(bird_places(used)))
    return table_of_checks(
        at_most(0.1, "outer gradient", fit.gradient,
                "scales settled at a mode of their marginal, within a tenth of their spread"),
        at_least(1e-6, "smallest scaled eigenvalue", float(identified(fit.hessian)[0]),
                 "no combination of coefficients is free"),
        at_least(5, "birds at the lowest fat class", lowest,
                 "with fewer, lean mass is extrapolated down the fat scale"),
        at_least(0.5, "share of wings measured", wings,
                 "with fewer, size is mostly that of the group"),
        at_least(10, "repeats behind wing error", prepared.wing_repeats,
                 f"wing error {prepared.wing_error:.2%}; with fewer it is assumed"),
        at_least(10, "captures of birds weighed before", again,
                 "with fewer, how much of the scatter at one fat class is lean mass is assumed"),
        Check("rounding step of mass [g]", prepared.rounding_g, np.nan, True,
              "step learned from the digits or given"),
        at_least(0.5, "hours since sunrise known", timed,
                 "where never known, lean mass is at the usual hour, not at sunrise"),
    )  # fmt: skip
