"""Levels of an outcome by site and season, for the same days, groups and bait."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr
from scipy.special import expit

from phenology.models.mixed_arrowhead import Array
from phenology.models.support import SupportModel
from phenology.models.support_fit import RoleFit


def site_levels(model: SupportModel, role: str) -> xr.Dataset:
    """What a typical bird of a role shows at each site, days, groups and bait being equal.

    The level of a site is its own normal: its mean drivers and its random effect, without the
    seasons' ups and downs. A season's difference adds its drivers, the season's effect and that
    of site and season together. Both come from partial pooling: three birds move a site little,
    and its interval stays as wide as that of a site never seen.

    Parameters
    ----------
    model : SupportModel
        Fitted.
    role : {"local", "passage"}
        One of `model.roles_`.

    Returns
    -------
    Dataset
        `level` (draw, site) and `season_difference` (draw, site, season), in the outcome's unit,
        shares as shares; `birds` (site) and `season_birds` (site, season), expected over
        roles. `season_difference` is missing where no bird was caught.

    Notes
    -----
    Not to be believed for a site far from the others in days or groups sampled: what is made
    equal is then extrapolated along the curve of days.

    Examples
    --------
    >>> from phenology.models.support_simulated import simulate_support
    >>> simulated = simulate_support(np.random.default_rng(1), sites=4, seasons=6)
    >>> model = SupportModel(draws=100).fit(
    ...     simulated.birds, simulated.outcome, simulated.local)
    >>> site_levels(model, "local")["level"].sizes["site"]
    4
    """
    fit = model.roles_[role]
    design = fit.design
    parts = _effects(fit)
    draws, sites = len(fit.coefficients), len(design.site_names)
    weight = fit.chance
    level = fit.coefficients[:, :1] + parts.get("site", np.zeros((draws, sites)))
    for name, column in design.between.items():
        centre = np.average(design.site_mean[name][design.site], weights=weight)
        level = level + fit.coefficients[:, [column]] * (design.site_mean[name] - centre)
    if "group" in parts:
        group = next(effect.level for effect in design.effects if effect.name == "group")
        shares = np.bincount(group, weight, minlength=parts["group"].shape[1]) / weight.sum()
        level = level + parts["group"] @ shares[:, None]
    pairs = design.site * len(design.season_names) + design.season
    cells = sites * len(design.season_names)
    birds = np.bincount(pairs, weight, minlength=cells)
    away = np.zeros((draws, cells))
    for column in design.within.values():
        total = np.bincount(pairs, weight * design.columns[:, column], minlength=cells)
        away += fit.coefficients[:, [column]] * (total / np.maximum(birds, 1e-12))
    if "season" in parts:
        away += np.tile(parts["season"], sites)
    if "site_season" in parts:
        both = next(effect for effect in design.effects if effect.name == "site_season")
        first = pd.Series(pairs).groupby(both.level).first().to_numpy()
        away[:, first] += parts["site_season"]
    difference = away.reshape(draws, sites, -1)
    if model.kind == "share":
        difference = expit(level[..., None] + difference) - expit(level)[..., None]
        level = expit(level)
    seen = birds.reshape(sites, -1)
    return xr.Dataset(
        {
            "level": (("draw", "site"), level),
            "season_difference": (
                ("draw", "site", "season"),
                np.where(seen > 0, difference, np.nan),
            ),
            "birds": ("site", seen.sum(axis=1)),
            "season_birds": (("site", "season"), seen),
        },
        coords={"site": list(design.site_names), "season": list(design.season_names)},
    )


def chance_of_more(levels: xr.DataArray) -> xr.DataArray:
    """Chance that a site's level exceeds another's, (site, other), from draws (draw, site).

    Examples
    --------
    >>> levels = xr.DataArray(
    ...     [[1.0, 2.0], [2.0, 1.0], [1.0, 3.0], [1.0, 4.0]],
    ...     dims=("draw", "site"), coords={"site": ["fork", "ridge"]})
    >>> chance_of_more(levels).values.tolist()
    [[0.5, 0.25], [0.75, 0.5]]
    """
    other = levels.rename(site="other")
    return ((levels > other) + 0.5 * (levels == other)).mean("draw")


def rank_draws(levels: xr.DataArray) -> xr.DataArray:
    """Rank of each site in each draw, 1 for the highest.

    Examples
    --------
    >>> levels = xr.DataArray([[1.0, 2.0]], dims=("draw", "site"))
    >>> rank_draws(levels).values.tolist()
    [[2, 1]]
    """
    order = np.argsort(np.argsort(-levels.transpose("draw", "site").values, axis=1), axis=1)
    return xr.DataArray(order + 1, dims=("draw", "site"), coords=levels.coords)


def _effects(fit: RoleFit) -> dict[str, Array]:
    """Draws of the levels of each random effect, by its name."""
    parts, start = {}, fit.design.columns.shape[1]
    for effect in fit.design.effects:
        parts[effect.name] = fit.coefficients[:, start : start + effect.count]
        start += effect.count
    return parts
