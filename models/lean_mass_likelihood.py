"""Likelihood of one bird's log mass, and its sum over birds with priors, in JAX.

For a bird of species s and group g, whose fat class was written down as o,

    p(log m, o) = Σ_c π_c K(o | c) ∫ t_ν[(y − μ_c) / σ_c] / σ_c dy        over m ± step / 2

    μ_c = a_s + d_g + (b + b_s)(E log w − x_s) + z·γ + F_c,   F_0 = 0,  F_c = F_{c−1} + u_s i_c,
    σ_c² = S² + (κ F_c)² + (b + b_s)² Var log w + Σ γ_j² Var z_j + step² / 12 m²,

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
SCALES = ("log_scatter", "log_fuel_scatter", "log_tail", "log_group_sd", "logit_misread")

# Priors. Exponent of mass on wing within a group: isometry would give 3, measurement and shape
# pull it down (1.7 to 3.2 in the raptors and penguins of the outside checks). Meals: 0.2 g in a
# 3.2 g bird is 6 %. Fuel of the highest class: a third over lean, within about half and double.
PRIOR_MEAN = {"exponent": 1.5, "hour": 0.0, "part": 0.03, "full": 0.06, "fed": 0.04,
              "fuel_scale": float(np.log(0.35))}  # fmt: skip
PRIOR_SD = {"species": 0.5, "exponent": 1.0, "exponent_species": 0.5, "hour": 0.02, "part": 0.03,
            "full": 0.04, "fed": 0.04, "fuel_scale": 0.6, "fuel_species": 0.25}  # fmt: skip
FUEL_STEP_SD = 0.8
SCALE_PRIOR = {  # mean, sd
    "log_scatter": (float(np.log(0.06)), 0.7),
    "log_fuel_scatter": (float(np.log(0.5)), 0.6),
    "log_tail": (float(np.log(8.0)), 0.8),
    "log_group_sd": (float(np.log(0.08)), 1.0),
    "logit_misread": (float(np.log(0.1 / 0.9)), 0.6),
}


class Rows(NamedTuple):
    """Captures as the likelihood needs them, one row each; `weight` is 0 on padding.

    Captures of one bird share its structure and count for less than as many birds.
    """

    log_mass: Any  # (n, q): nodes of the rounding interval
    node_weight: Any  # (n, q)
    rounding_variance: Any  # (n,): of log mass, where one node stands for the interval
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


def _class_terms(local: Any, fuel: Any, phi: Any, rows: Rows) -> tuple[Any, Any, Any]:
    """Location, variance and log prior weight of each bird by true fat class, (n, C) each."""
    exponent, effects = local[:, 2] + local[:, 3], local[:, 4:8]
    lean = local[:, 0] + local[:, 1] + exponent * rows.log_wing
    location = (lean + (rows.covariate * effects).sum(1))[:, None] + fuel
    other = exponent**2 * rows.wing_variance + (rows.covariate_variance * effects**2).sum(1)
    variance = jnp.exp(2 * phi[1]) * fuel**2
    variance += (jnp.exp(2 * phi[0]) + other + rows.rounding_variance)[:, None]
    misread = jax.nn.sigmoid(phi[4])
    reading = rows.read * (1 - misread * rows.exits) + rows.near * misread / 2
    return location, variance, jnp.log(rows.prevalence * reading + 1e-12)


def _density(y: Any, location: Any, variance: Any, tail: Any) -> tuple[Any, ...]:
    """Log of Student's t, then its derivatives by location m and variance v: m, v, mm, mv, vv."""
    away = y - location
    shrink = 1 / (tail * variance + away**2)
    pull = away**2 * shrink
    half = (tail + 1) / 2
    constant = jax.scipy.special.gammaln(half) - jax.scipy.special.gammaln(tail / 2)
    constant -= 0.5 * jnp.log(tail * jnp.pi)
    return (
        constant - 0.5 * jnp.log(variance) - half * jnp.log1p(away**2 / (tail * variance)),
        (tail + 1) * away * shrink,
        (half * pull - 0.5) / variance,
        (tail + 1) * shrink * (2 * pull - 1),
        -(tail + 1) * tail * away * shrink**2,
        (0.5 / variance - half * pull * (1 / variance + tail * shrink)) / variance,
    )


def _slopes(local: Any, fuel: Any, fuel_slope: Any, phi: Any, rows: Rows) -> tuple[Any, Any]:
    """Derivatives of every location and variance in the bird's local θ, (n, C, L) each."""
    alone = jnp.ones((len(local), 2))
    wing = jnp.stack([rows.log_wing] * 2, axis=1)
    by_wing = (2 * (local[:, 2] + local[:, 3]) * rows.wing_variance)[:, None]
    mean = jnp.concatenate([alone, wing, rows.covariate], axis=1)
    doubt = [0 * alone, by_wing, by_wing, 2 * local[:, 4:8] * rows.covariate_variance]
    rest = ((0, 0), (0, local.shape[1] - mean.shape[1]))
    location = jnp.pad(mean, rest)[:, None] + fuel_slope
    scatter = 2 * jnp.exp(2 * phi[1]) * fuel[:, :, None] * fuel_slope
    return location, jnp.pad(jnp.concatenate(doubt, axis=1), rest)[:, None] + scatter


def _bent(first_m: Any, first_v: Any, fuels: tuple[Any, ...], rows: Rows, phi: Any,
          bird_group: Any) -> Any:  # fmt: skip
    """What the curvature of locations and variances adds to each group's Hessian, (G, L, L)."""
    fuel, slope, bend = fuels
    groups = fuel.shape[0]
    by_group = jax.ops.segment_sum(jnp.stack([first_m, first_v]).transpose(1, 0, 2), bird_group,
                                   groups)  # fmt: skip
    square = slope[..., :, None] * slope[..., None, :] + fuel[..., None, None] * bend
    total = (by_group[:, 0, :, None, None] * bend).sum(1)
    total += 2 * jnp.exp(2 * phi[1]) * (by_group[:, 1, :, None, None] * square).sum(1)
    doubts = jnp.concatenate([rows.wing_variance[:, None], rows.covariate_variance], axis=1)
    doubts = jax.ops.segment_sum(2 * first_v.sum(1)[:, None] * doubts, bird_group, groups)
    place = jnp.arange(4, 8)
    total = total.at[:, 2:4, 2:4].add(doubts[:, :1, None])
    return total.at[:, place, place].add(doubts[:, 1:])


def _log_likelihood(local: Any, phi: Any, rows: Rows, bird_group: Any) -> tuple[Any, Any, Any]:
    """Log likelihood of all birds, and its gradient (G, L) and Hessian (G, L, L) by group.

    Written out, for a mixture over classes and nodes has the derivatives of its parts, weighted
    by what each explains, and automatic second derivatives cost many times as much.
    """
    groups = local.shape[0]
    fuels = (
        jax.vmap(class_fuel)(local),
        jax.vmap(jax.jacfwd(class_fuel))(local),
        jax.vmap(jax.hessian(class_fuel))(local),
    )
    birds, fuel, fuel_slope = local[bird_group], fuels[0][bird_group], fuels[1][bird_group]
    location, variance, log_weight = _class_terms(birds, fuel, phi, rows)
    log_density, by_m, by_v, by_mm, by_mv, by_vv = _density(
        rows.log_mass[:, :, None], location[:, None], variance[:, None], 2 + jnp.exp(phi[2])
    )
    terms = log_density + log_weight[:, None] + jnp.log(rows.node_weight)[:, :, None]
    total = jax.scipy.special.logsumexp(terms, axis=(1, 2), keepdims=True)
    share = jnp.exp(terms - total) * rows.weight[:, None, None]
    first_m, first_v = (share * by_m).sum(1), (share * by_v).sum(1)  # (n, C)
    twice_m = (share * (by_mm + by_m**2)).sum(1)[..., None]
    cross = (share * (by_mv + by_m * by_v)).sum(1)[..., None]
    twice_v = (share * (by_vv + by_v**2)).sum(1)[..., None]
    slope_m, slope_v = _slopes(birds, fuel, fuel_slope, phi, rows)
    gradient = (first_m[..., None] * slope_m + first_v[..., None] * slope_v).sum(1)
    left = jnp.concatenate([slope_m, slope_v, gradient[:, None]], axis=1)  # (n, 2C + 1, L)
    right = jnp.concatenate(
        [twice_m * slope_m + cross * slope_v, cross * slope_m + twice_v * slope_v,
         (-gradient / jnp.maximum(rows.weight, 1e-9)[:, None])[:, None]], axis=1,
    )  # fmt: skip
    hessian = jnp.einsum("nci,ncj->nij", left, right)
    hessian = jax.ops.segment_sum(hessian, bird_group, groups)
    hessian += _bent(first_m, first_v, fuels, rows, phi, bird_group)
    value = (rows.weight * total[:, 0, 0]).sum()
    return value, jax.ops.segment_sum(gradient, bird_group, groups), hessian


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
    log_likelihood, group_gradient, group_hessian = _log_likelihood(
        theta[index], phi, rows, bird_group
    )
    size = theta.shape[0]
    gradient = jnp.zeros(size).at[index].add(-group_gradient)
    hessian = jnp.zeros((size, size)).at[index[:, :, None], index[:, None, :]].add(-group_hessian)
    spread = jnp.where(is_group, jnp.exp(phi[3]), sd)
    standard = (theta - mean) / spread
    log_prior = jnp.sum(-0.5 * standard**2 - jnp.log(spread))
    log_prior += jnp.sum(-0.5 * ((phi - scale_mean) / scale_sd) ** 2)
    value = -log_likelihood - log_prior
    hessian += jnp.diag(spread**-2)
    return value, gradient + standard / spread, hessian, -group_hessian


def scale_prior() -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Prior mean and standard deviation of φ, in the order of `SCALES`."""
    mean, sd = zip(*(SCALE_PRIOR[name] for name in SCALES), strict=True)
    return np.array(mean), np.array(sd)
