"""Each bird's mass parted into lean mass and fuel, given draws of the parameters."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from phenology.models.lean_mass_likelihood import Rows

Array = npt.NDArray[np.float64]


def part_mass(
    rows: Rows, part: slice, local: Array, phi: Array, rng: np.random.Generator
) -> tuple[Array, Array, Array]:
    """Draw true class, tail weight and structure of birds; each result (draw, bird).

    Given the residual r of a bird whose lean and fuel parts scatter with variances L and F, its
    structure is normal with mean r L / (L + F) and variance L F / (L + F), over the tail weight.
    """
    exponent = local[..., 2] + local[..., 3]
    effects = local[..., 4:8]
    fuel = class_log_fuel(local)
    lean_location = local[..., 0] + local[..., 1] + exponent * rows.log_wing[part]
    by_hour = effects[..., 0] * rows.covariate[part][..., 0]
    meal = (effects[..., 1:] * rows.covariate[part][..., 1:]).sum(-1)  # carried, but not as fuel
    lean_variance = np.exp(2 * phi[:, :1]) + exponent**2 * rows.wing_variance[part]
    meal_variance = (effects**2 * rows.covariate_variance[part]).sum(-1)
    fuel_variance = np.exp(2 * phi[:, 1, None, None]) * fuel**2 + meal_variance[..., None]
    scale = np.sqrt(lean_variance[..., None] + fuel_variance)
    tail = 2 + np.exp(phi[:, 2])[:, None]
    misread = (1 / (1 + np.exp(-phi[:, 4])))[:, None, None]
    reading = rows.read[part] * (1 - misread * rows.exits) + rows.near[part] * misread / 2
    location = (lean_location + by_hour + meal)[..., None] + fuel
    standard = (rows.log_mass[part][:, :, None] - location[:, :, None]) / scale[:, :, None]
    log_weight = (
        np.log(rows.prevalence[part] * reading + 1e-12)[:, :, None]
        + np.log(rows.node_weight[part])[..., None]
        - np.log(scale)[:, :, None]
        - (tail[..., None, None] + 1) / 2 * np.log1p(standard**2 / tail[..., None, None])
    )
    shape = log_weight.shape
    chosen = (log_weight + rng.gumbel(size=shape)).reshape(*shape[:2], -1).argmax(-1)
    node, fat_class = chosen // shape[3], chosen % shape[3]

    def taken(values: Array) -> Array:
        return np.take_along_axis(values, fat_class[..., None], axis=-1)[..., 0]

    log_mass = np.take_along_axis(
        np.broadcast_to(rows.log_mass[part], shape[:3]), node[..., None], axis=-1
    )[..., 0]
    residual = log_mass - taken(location)
    variance = taken(scale) ** 2
    rate = (tail + residual**2 / variance) / 2
    weight = rng.gamma((tail + 1) / 2, size=rate.shape) / rate
    noise = rng.standard_normal(rate.shape)
    spread = np.sqrt(lean_variance * taken(fuel_variance) / variance / weight)
    log_lean = lean_location + residual * lean_variance / variance + spread * noise
    return np.exp(log_lean), np.expm1(log_mass - meal - log_lean), residual


def class_log_fuel(local: Array) -> Array:
    """`lean_mass_likelihood.class_fuel` for arrays of any leading shape."""
    steps = local[..., 10:]
    lowest = np.zeros((*local.shape[:-1], 1))
    if steps.shape[-1] == 0:
        return lowest
    rises = np.exp(local[..., 8:9] + steps + local[..., 9:10]) / steps.shape[-1]
    return np.concatenate([lowest, np.cumsum(rises, axis=-1)], axis=-1)
