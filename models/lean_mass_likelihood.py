"""Likelihood of one bird's log mass, and its sum over birds with priors, in JAX.

For a bird of species s and group g, whose fat class was written down as o,

    p(log m, o) = Σ_c π_c K(o | c) ∫ t_ν[(y − μ_c) / σ_c] / σ_c dy        over m ± step / 2

    μ_c = a_s + d_g + (b + b_s)(E log w − x_s) + z·γ + F_c,   F_0 = 0,  F_c = F_{c−1} + u_s i_c,
    σ_c² = τ² + (κ F_c)² + (b + b_s)² Var log w + Σ γ_j² Var z_j,

with w the true wing, z hours since sunrise, crop and feeding, i_c > 0 the steps of the fat scale
on log mass, K the chance of reading class c as o. Moments of w and z given what was written down
stand in for measurement error and missing values.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt

# θ of one bird, in this order; then one log step for each fat class above the lowest.
LOCAL = ("species", "group", "exponent", "exponent_species", "hour", "part", "full", "fed",
         "fuel_scale", "fuel_species")  # fmt: skip
COVARIATES = ("hour", "part", "full", "fed")
# φ: logarithms and a logit.
SCALES = ("log_structure", "log_fuel_scatter", "log_tail", "log_group_sd", "logit_misread")

# Priors. Exponent of mass on wing within a group: isometry would give 3, measurement and shape
# pull it down (1.7 to 3.2 in the raptors and penguins of the outside checks). Meals: 0.2 g in a
# 3.2 g bird is 6 %. Fuel of the highest class: a third over lean, within about half and double.
PRIOR_MEAN = {"exponent": 1.5, "hour": 0.0, "part": 0.03, "full": 0.06, "fed": 0.04,
              "fuel_scale": float(np.log(0.35))}  # fmt: skip
PRIOR_SD = {"species": 0.5, "exponent": 1.0, "exponent_species": 0.5, "hour": 0.02, "part": 0.03,
            "full": 0.04, "fed": 0.04, "fuel_scale": 0.6, "fuel_species": 0.25}  # fmt: skip
FUEL_STEP_SD = 0.8
SCALE_PRIOR = {  # mean, sd
    "log_structure": (float(np.log(0.06)), 0.7),
    "log_fuel_scatter": (float(np.log(0.5)), 0.6),
    "log_tail": (float(np.log(8.0)), 0.8),
    "log_group_sd": (float(np.log(0.08)), 1.0),
    "logit_misread": (float(np.log(0.1 / 0.9)), 0.6),
}


class Rows(NamedTuple):
    """Birds as the likelihood needs them; arrays of one row a bird, `weight` 0 on padding."""

    log_mass: Any  # (n, q): nodes of the rounding interval
    node_weight: Any  # (n, q)
    log_wing: Any  # (n,): expected true log wing less the species' mean
    wing_variance: Any  # (n,)
    covariate: Any  # (n, 4)
    covariate_variance: Any  # (n, 4)
    prevalence: Any  # (n, C)
    read: Any  # (n, C): 1 where the class is the one written down, or nothing was
    near: Any  # (n, C): 1 where the class is a neighbour of the one written down
    exits: Any  # (C,): neighbours of each class, over 2; 0 where nothing was misread
    weight: Any  # (n,)


def class_fuel(local: Any) -> Any:
    """Log of 1 + fuel of each class at sunrise and empty crop, shape (C,), from local θ."""
    steps = local[len(LOCAL) :]
    rises = jnp.exp(local[8] + steps) / jnp.maximum(steps.shape[0], 1) * jnp.exp(local[9])
    return jnp.concatenate([jnp.zeros(1), jnp.cumsum(rises)])


def class_terms(local: Any, phi: Any, row: Rows, exits: Any) -> tuple[Any, Any, Any]:
    """Location (C,), scale (C,) and log prior weight (C,) of one bird by true fat class."""
    exponent = local[2] + local[3]
    effects = local[4:8]
    fuel = class_fuel(local)
    location = local[0] + local[1] + exponent * row.log_wing + row.covariate @ effects + fuel
    other = exponent**2 * row.wing_variance + row.covariate_variance @ effects**2
    scale = jnp.sqrt(jnp.exp(2 * phi[0]) + jnp.exp(2 * phi[1]) * fuel**2 + other)
    misread = jax.nn.sigmoid(phi[4])
    reading = row.read * (1 - misread * exits) + row.near * misread / 2
    return location, scale, jnp.log(row.prevalence * reading + 1e-12)


def _row(local: Any, phi: Any, row: Rows, exits: Any) -> Any:
    location, scale, log_weight = class_terms(local, phi, row, exits)
    tail = 2 + jnp.exp(phi[2])
    standard = (row.log_mass[:, None] - location) / scale  # (q, C)
    log_density = (
        jax.scipy.special.gammaln((tail + 1) / 2)
        - jax.scipy.special.gammaln(tail / 2)
        - 0.5 * jnp.log(tail * jnp.pi)
        - jnp.log(scale)
        - (tail + 1) / 2 * jnp.log1p(standard**2 / tail)
    )
    terms = log_density + log_weight + jnp.log(row.node_weight)[:, None]
    return -row.weight * jax.scipy.special.logsumexp(terms)


_row_gradient = jax.value_and_grad(_row)
_row_hessian = jax.hessian(_row)
_AXES = Rows(0, 0, 0, 0, 0, 0, 0, 0, 0, None, 0)


@jax.jit
def derivatives(theta: Any, phi: Any, rows: Rows, places: Any, prior: Any) -> Any:
    """Negative log joint density, its gradient and Hessian in θ, and each group's information.

    Parameters
    ----------
    theta : array, (K,)
    phi : array, (5,)
    rows : Rows
    places : tuple of int arrays
        Places in θ of the local parameters of each group, (G, L); group of each bird, (n,).
    prior : tuple of arrays
        mean (K,), sd (K,), whether the sd is the group sd of φ (K,), prior of φ mean and sd.

    Returns
    -------
    value, gradient (K,), Hessian (K, K), Hessian of the birds of each group in its local θ
    (G, L, L).
    """
    mean, sd, is_group, scale_mean, scale_sd = prior
    index, bird_group = places
    local = theta[index]  # (G, L)
    bird_local = local[bird_group]
    exits = rows.exits
    in_axes = (0, None, _AXES, None)
    values, gradients = jax.vmap(_row_gradient, in_axes)(bird_local, phi, rows, exits)
    hessians = jax.vmap(_row_hessian, in_axes)(bird_local, phi, rows, exits)
    groups = index.shape[0]
    group_gradient = jax.ops.segment_sum(gradients, bird_group, groups)
    group_hessian = jax.ops.segment_sum(hessians, bird_group, groups)
    size = theta.shape[0]
    gradient = jnp.zeros(size).at[index].add(group_gradient)
    hessian = jnp.zeros((size, size)).at[index[:, :, None], index[:, None, :]].add(group_hessian)
    spread = jnp.where(is_group, jnp.exp(phi[3]), sd)
    standard = (theta - mean) / spread
    log_prior = jnp.sum(-0.5 * standard**2 - jnp.log(spread))
    log_prior += jnp.sum(-0.5 * ((phi - scale_mean) / scale_sd) ** 2)
    value = values.sum() - log_prior
    hessian += jnp.diag(spread**-2)
    return value, gradient + standard / spread, hessian, group_hessian


def scale_prior() -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Prior mean and standard deviation of φ, in the order of `SCALES`."""
    mean, sd = zip(*(SCALE_PRIOR[name] for name in SCALES), strict=True)
    return np.array(mean), np.array(sd)
