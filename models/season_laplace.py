"""Nested Laplace approximation of the season model.

Given the hyperparameters φ, the coefficients β are taken as normal about their mode; φ itself
follows the marginal

    log p(φ | y) ≈ log p(y, β̂(φ), φ) − ½ log det H(φ) + constant.

Sparse data make the normal approximation too narrow (one-day sites, one site in one season):
`season.SeasonModel` leaves those to the sampler.
"""

from __future__ import annotations

from functools import partial
from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt

from phenology.models.refusal import Refused
from phenology.models.season_arrow import (
    Factor,
    assemble,
    empty_factor,
    log_determinant,
    marginal_variances,
    solve,
)
from phenology.models.season_density import Coefficients, joint, prior_sds
from phenology.models.season_design import Design
from phenology.models.season_predictors import HYPER, LOG_DISPERSION_PRIOR, SCALES, Sizes

Array = Any  # JAX's inside our own calls, numpy's at their rim
_NEWTON_STEPS = 60
_NEARBY_STEPS = 8  # in which the mode at a measured point settles, or the point is too far off
_HALVINGS = 12
_EXPECTATION_STEPS = 15
_FALLEN = 1.0  # of the marginal, as overlong steps may lose
_NEAR = 0.05  # movement of φ [log units] at which its centre counts as found
_DIFFERENCE = 0.6  # at which the fall of the marginal is measured, on either side [log units]
_DROPS = (0.25, 8.0)  # falls taken at their word; a flat side keeps that of its prior, a steep one
_LEAST_DIFFERENCE = 0.01  # is measured nearer
_UNLIKE = 10.0  # of falls, the steeper side's to the other's: more is a slope
_FAR = 100.0  # fall from which the parabola through it tells how near
_CENTRINGS = 4  # each measures again what was off by more than
_OFF = 0.5  # standard deviations
_FARTHEST = 0.7  # move of a log scale for which the mode's is guessed
_DECREMENT = 1e-3  # half of gᵀH⁻¹g [log units] at which the mode counts as found


class Settled(NamedTuple):
    """Coefficients at their mode for given hyperparameters, and the Laplace marginal there."""

    coefficients: Coefficients
    factor: Factor
    height: Array
    decrement: Array


joint_density = jax.jit(joint, static_argnames="sizes")


def _along(start: Coefficients, step: Coefficients, length: Any) -> Coefficients:
    return Coefficients(start.shared + length * step.shared, start.local + length * step.local)


def settle(
    start: Coefficients,
    hyper: Array,
    design: Design,
    sizes: Sizes,
    most_steps: int = _NEWTON_STEPS,
) -> Settled:
    """Damped Newton steps with halving until the decrement is negligible."""
    value = joint_density(start, hyper, design, sizes)  # compiled once for this and for others
    settled: Settled = _settle(start, value, hyper, design, sizes, most_steps)
    return settled


@partial(jax.jit, static_argnames="sizes")
def _settle(
    start: Coefficients,
    value: Array,
    hyper: Array,
    design: Design,
    sizes: Sizes,
    most_steps: int,
) -> Settled:
    def better(state: tuple[Any, ...]) -> tuple[Any, ...]:
        at, value, _, _, steps = state
        gradient, factor = assemble(at, hyper, design, sizes)
        step = solve(factor, gradient, sizes)
        decrement = 0.5 * (gradient.shared @ step.shared + (gradient.local * step.local).sum())

        def worse(search: tuple[Array, Array, Array]) -> Array:
            length, reached, halvings = search
            enough = reached >= value + 0.1 * length * decrement
            return (~enough) & (halvings < _HALVINGS) & (decrement > _DECREMENT)

        def halve(search: tuple[Array, Array, Array]) -> tuple[Array, Array, Array]:
            length, _, halvings = search
            length = jnp.where(halvings < 0, 1.0, length / 2)
            reached = joint(_along(at, step, length), hyper, design, sizes)
            return length, jnp.where(jnp.isnan(reached), -jnp.inf, reached), halvings + 1

        length, reached, _ = jax.lax.while_loop(
            worse, halve, (jnp.array(1.0), value, jnp.array(-1))
        )
        moved = reached > value
        length = jnp.where(moved, length, 0.0)
        value = jnp.where(moved, reached, value)
        stuck = jnp.where(moved, decrement, -decrement)  # negative ends the search
        return _along(at, step, length), value, stuck, factor, steps + 1

    def unfinished(state: tuple[Any, ...]) -> Any:
        return (state[2] > _DECREMENT) & (state[4] < most_steps)

    first = (start, value, jnp.array(jnp.inf), empty_factor(sizes), jnp.array(0))
    at, value, decrement, factor, _ = jax.lax.while_loop(unfinished, better, first)
    height = value - 0.5 * log_determinant(factor)
    return Settled(at, factor, height, jnp.abs(decrement))


class LaplaceFit(NamedTuple):
    """Middle and spread of the hyperparameters, and the coefficients at their mode there."""

    hyper: npt.NDArray[Any]
    hyper_sd: npt.NDArray[Any]
    coefficients: Coefficients
    factor: Factor
    decrement: float


def acting_hypers(design: Design) -> npt.NDArray[Any]:
    """Positions of the hyperparameters that the modelled roles use."""
    local, passage = (bool(np.asarray(design.present)[..., role].any()) for role in (0, 1))
    used = [
        local if "_local_" in name else passage if "_passage_" in name else True for name in HYPER
    ]
    return np.flatnonzero(used)


def _expected_scales(settled: Settled, hyper: Array, design: Design, sizes: Sizes) -> Array:
    """One step of expectation–maximisation for the scales, one of Newton for the dispersion.

    With n coefficients of expected square sum Q, a half-normal scale τ and the logarithm as the
    parameter, the maximum solves s⁴/τ² + (n − 1)s² − Q = 0.
    """
    variances = marginal_variances(settled.factor, sizes)
    at = jax.tree.map(np.asarray, settled.coefficients)
    squares = [
        (at.shared - design.prior_mean) ** 2 + variances.shared,
        (at.local**2 + variances.local).reshape(-1),
    ]
    own_index = np.broadcast_to(design.local_sd_index, at.local.shape).reshape(-1)
    kinds = len(SCALES)
    index = np.concatenate([np.where(design.prior_sd > 0, kinds, design.sd_index), own_index])
    number = np.bincount(index, minlength=kinds + 1)[:kinds]
    total = np.bincount(index, np.concatenate(squares), kinds + 1)[:kinds]
    tau = np.array(list(SCALES.values())) ** 2
    root = np.sqrt((number - 1) ** 2 + 4 * total / tau)
    square = 2 * total / (number - 1 + root)
    step = 0.1
    behind, here, ahead = (
        float(joint_density(settled.coefficients, hyper + move, design, sizes))
        for move in np.outer([-step, 0.0, step], np.arange(len(HYPER)) == len(HYPER) - 1)
    )
    bend = (2 * here - ahead - behind) / step**2
    moved = np.clip((ahead - behind) / (2 * step) / max(bend, 0.5), -0.7, 0.7)
    return np.append(0.5 * np.log(square), hyper[-1] + moved)


def centre(start: Coefficients, design: Design, sizes: Sizes) -> tuple[npt.NDArray[Any], Settled]:
    """Hyperparameters near the top of their marginal, by expectation–maximisation, and the mode.

    Those of roles that are not modelled stay at the mode of their prior.

    Raises
    ------
    Refused
        If no finite marginal is found.
    """
    acting = acting_hypers(design)
    scales = np.array(list(SCALES.values()))
    hyper = np.append(np.log(scales), LOG_DISPERSION_PRIOR[0])
    hyper[acting[:-1]] -= 0.7
    settled = settle(start, jnp.asarray(hyper), design, sizes)
    highest = float(settled.height)
    for _ in range(_EXPECTATION_STEPS):
        moved = hyper.copy()
        expected = _expected_scales(settled, hyper, design, sizes)
        moved[acting] = np.maximum(
            hyper + 1.5 * (expected - hyper),
            np.append(  # over-relaxed
                np.log(0.03 * scales), -3.0
            ),
        )[acting]
        there = settle(settled.coefficients, jnp.asarray(moved), design, sizes)
        # The scales' marginal rises, or the coefficients have left its mode: for falls so sharp
        # that each fits between two days, which few of the draws would have.
        if not float(there.height) > highest - _FALLEN:
            break
        highest = max(highest, float(there.height))
        far = np.abs(moved - hyper).max()
        hyper, settled = moved, there
        if far < _NEAR:
            break
    if not np.isfinite(settled.height):
        raise Refused("the season model found no best fit for these counts")
    return hyper, settled


def fit_laplace(start: Coefficients, design: Design, sizes: Sizes) -> LaplaceFit:
    """Centre the hyperparameters, then measure their spread.

    The spread is told apart below and above, for scales end steeply above and flat below. Draws
    are weighted by the marginal afterwards, so that the centre need only be near.

    Raises
    ------
    Refused
        If no finite marginal is found.
    """
    acting = acting_hypers(design)
    hyper, settled = centre(start, design, sizes)
    sd = np.full((2, len(HYPER)), 0.7)  # of a half-normal scale on its logarithm, roughly
    unsure = acting
    for number in range(_CENTRINGS):
        off = np.zeros(len(HYPER))
        for one in unsure:
            near = min(_DIFFERENCE, 2 * sd[:, one].max())
            sd[:, one], off[one] = _measure(one, near, settled, hyper, design, sizes)
        unsure = np.flatnonzero(np.abs(off) > _OFF * sd.min(0))
        if not len(unsure):
            break
        # One top's move shifts the others': all are measured twice, later only those still off.
        if number == 0:
            unsure = acting
        moved = hyper + off
        there = settle_nearby(settled, hyper, moved, design, sizes)
        if not float(there.height) > float(settled.height):
            break
        hyper, settled = moved, there
    return LaplaceFit(hyper, sd, settled.coefficients, settled.factor, float(settled.decrement))


def _measure(
    one: int, away: float, settled: Settled, hyper: Array, design: Design, sizes: Sizes
) -> tuple[Array, float]:
    """Spread of a hyperparameter below and above its centre, and how far its top lies from there.

    By the heights at equal distances on both sides, `away` or so near that neither is lost: the
    top is that of the parabola through them.
    """
    centre = float(settled.height)
    while True:
        move = np.where(np.arange(len(HYPER)) == one, away, 0.0)
        sides = [
            settle_nearby(settled, hyper, hyper + aside, design, sizes, _NEARBY_STEPS)
            for aside in (-move, move)
        ]
        drop = np.array(
            [
                centre - float(side.height) if float(side.decrement) <= _DECREMENT else np.inf
                for side in sides
            ]
        )
        drop = np.nan_to_num(drop, nan=np.inf)
        if drop.max() <= _DROPS[1] or away < _LEAST_DIFFERENCE:
            break
        far = drop.min() > _FAR and np.isfinite(drop).all()  # not past a cliff on one side
        away = max(away * np.sqrt(2 / drop.max()), _LEAST_DIFFERENCE / 3) if far else away / 3
    below, above = drop
    off = 0.0
    # Beyond, their product with a distance would overflow.
    if 0 < below + above < 1e300:
        top = away * (below - above) / (2 * (below + above))
        off = float(np.clip(top, -_DIFFERENCE / 2, _DIFFERENCE / 2))
    flat, steep = _DROPS
    flat = max(flat * (away / _DIFFERENCE) ** 2, drop.max() / _UNLIKE)
    return away / np.sqrt(2 * np.clip(drop, flat, steep)), off


def settle_nearby(
    known: Settled | LaplaceFit,
    here: Array,
    there: Array,
    design: Design,
    sizes: Sizes,
    most_steps: int = _NEWTON_STEPS,
) -> Settled:
    """Settle at other hyperparameters, from where a known mode leads."""
    start = _mode_nearby(known.coefficients, known.factor, here, there, design, sizes)
    return settle(start, jnp.asarray(there), design, sizes, most_steps)


@partial(jax.jit, static_argnames="sizes")
def _mode_nearby(
    at: Coefficients, factor: Factor, here: Array, there: Array, design: Design, sizes: Sizes
) -> Coefficients:
    """Guess of the mode at other hyperparameters: to first order, as their prior pulls.

    The score of a coefficient's prior, −(β − m)/s², falls by 2(β − m)/s² with log s.
    """
    pull = jnp.clip(there - here, -_FARTHEST, _FARTHEST)[:-1]
    sd = prior_sds(here, design)
    shared = 2 * (at.shared - design.prior_mean) / sd.shared**2 * pull[design.sd_index]
    shared = jnp.where(design.prior_sd > 0, 0.0, shared)
    local = 2 * at.local / sd.local**2 * pull[design.local_sd_index]
    return _along(at, solve(factor, Coefficients(shared, local), sizes), 1.0)
