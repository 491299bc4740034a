"""Gaussian mixed model with any number of crossed random effects, by sums of products.

Rows enter once, as sums of products; every evaluation of the marginal likelihood then costs one
Cholesky factor of the coefficients, whatever the number of rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.optimize import minimize

from phenology.models.mixed_arrowhead import Array, Factor, Integers
from phenology.models.mixed_effects_rows import RandomEffect, RowSums, sum_rows
from phenology.models.refusal import Refused

_TAIL_DF = 5.0  # of the Student proposal, heavier than the posterior it stands for
_WIDER = 1.2  # spread of the proposal over that of the posterior
_LEAST_LOG_SD = np.log(1e-4)  # of the outcome's spread: a random effect smaller than that is none
_LARGEST_LOG_SD = np.log(20.0)  # and one larger than that leaves nothing for the others
_ROUNDS = 3
_CANDIDATES = 300  # proposals weighted in a round, and for outcomes on the same rows
_ADAPTED = 5  # outcomes to which the proposal is fitted
_FAR = 1e30  # of a row's log density
_BATCH_CELLS = 300_000  # numbers in the matrices of one batch, to stay in the cache


@dataclass(frozen=True)
class Prior:
    """Normal priors on the coefficients of the design, half-normal ones on standard deviations.

    An infinite `coefficient_sd` is a flat prior. `sd_scale` is the scale of the half-normal in
    the outcome's unit.
    """

    coefficient_mean: Array
    coefficient_sd: Array
    sd_scale: float


@dataclass(frozen=True)
class MixedEffectsDraws:
    """Posterior draws: coefficients (draw, P), standard deviations (draw, K), efficiency.

    `efficiency` is the effective share of the weighted proposals; under a few per cent the
    draws are not to be trusted.
    """

    coefficients: Array
    sds: Array
    efficiency: float


@dataclass(frozen=True)
class RestrictedEstimate:
    """Restricted maximum likelihood: standard deviations, coefficients, and their covariance.

    `covariance` is that of the design's coefficients, which come first.
    """

    sds: Array
    coefficients: Array
    covariance: Array


@dataclass(frozen=True)
class _System:
    """Normal equations of the coefficients at S sets of standard deviations."""

    factor: Factor  # of the matrix
    right: Array  # (S, L, D)
    square: Array  # (S, D)
    log_det: Array  # (S,), of all but the matrix


def _system(sums: RowSums, prior: Prior | None, log_sds: Array) -> _System:
    variance = np.exp(2 * log_sds)
    residual = variance[:, :1]
    share = 1 / residual
    log_det = sums.rows * np.log(residual[:, 0]) - sums.log_weight
    if sums.cell_size.size:
        spread = variance[:, -1:]
        total = residual + sums.cell_size * spread
        share = np.concatenate([share, -spread / (residual * total)], axis=1)
        log_det += np.log(total / residual) @ sums.cell_number
    size = sums.arrangement.total
    precision, mean = np.zeros((len(log_sds), size + 1)), np.zeros(size + 1)
    precision[:, size] = 1.0  # of the columns that fill up blocks
    if prior is not None:
        precision[:, : sums.design] = prior.coefficient_sd**-2.0
        mean[: sums.design] = prior.coefficient_mean
    of_levels = np.repeat(1 / variance[:, 1 : 1 + len(sums.counts)], sums.counts, axis=1)
    precision[:, sums.design : size] = of_levels
    log_det -= np.log(np.where(precision > 0, precision, 1.0)).sum(axis=1)
    square = share @ sums.square + (precision * mean**2).sum(axis=1)[:, None]
    order = sums.arrangement.order
    return _System(
        Factor(sums.products.summed(share, precision[:, order])),
        np.tensordot(share, sums.cross, 1) + (precision * mean)[:, order, None],
        square,
        log_det,
    )


def _log_density(sums: RowSums, prior: Prior | None, log_sds: Array) -> Array:
    """Marginal density of log standard deviations, (S, K), for each outcome; shape (S, D)."""
    size = sums.products.side[0].size + sums.products.corner[0].size
    at_once = max(1, _BATCH_CELLS // size)
    parts = [
        _log_density_of_batch(sums, prior, log_sds[begin : begin + at_once])
        for begin in range(0, len(log_sds), at_once)
    ]
    return np.concatenate(parts)


def _log_density_of_batch(sums: RowSums, prior: Prior | None, log_sds: Array) -> Array:
    try:
        system = _system(sums, prior, log_sds)
    except np.linalg.LinAlgError:  # far from any mode: rows outweigh a prior by all digits
        if len(log_sds) == 1:
            return np.full((1, sums.cross.shape[-1]), -np.inf)
        return np.concatenate([_log_density_of_batch(sums, prior, one[None]) for one in log_sds])
    fit = system.square - (system.factor.half(system.right) ** 2).sum(axis=1)
    log_density = -0.5 * ((system.log_det + system.factor.log_det)[:, None] + fit)
    if prior is not None:
        scaled = np.exp(log_sds) / prior.sd_scale
        log_density += (log_sds - 0.5 * scaled**2).sum(axis=1)[:, None]
    return np.asarray(log_density)


def restricted_estimate(sums: RowSums) -> RestrictedEstimate:
    """Standard deviations at the maximum of the restricted likelihood of the first outcome.

    Examples
    --------
    >>> import numpy as np
    >>> group = np.repeat([0, 1, 2], 4)
    >>> y = np.array([1.0, 2, 3, 2, 5, 6, 5, 4, 9, 8, 9, 10])
    >>> sums = sum_rows(y, np.ones((12, 1)), [RandomEffect("group", group, 3)])
    >>> restricted_estimate(sums).sds.round(3).tolist()  # closed form for balanced groups
    [0.816, 3.488]
    """
    first = sums.some(slice(1))
    return generalised_least_squares(first, np.exp(_mode(first, None)))


def generalised_least_squares(sums: RowSums, sds: Array) -> RestrictedEstimate:
    """Coefficients of the first outcome under flat priors, its standard deviations known."""
    system = _system(sums.some(slice(1)), None, np.log(sds)[None])
    factor, size = system.factor, sums.arrangement.order.size
    mean = factor.back(factor.half(system.right))[0]
    first = size - sums.arrangement.border
    unit = np.eye(size)[None, :, first : first + sums.design]
    root = factor.half(unit)[0]
    return RestrictedEstimate(sds, sums.arrangement.restored(mean)[:, 0], root.T @ root)


def _spread(sums: RowSums) -> float:
    """Root mean square of the first outcome after the design alone, the unit of the search."""
    first = len(sums.arrangement.order) - sums.arrangement.border
    design = sums.products.corner[0, : sums.design, : sums.design]
    right = sums.cross[0, first : first + sums.design, 0]
    explained = right @ np.linalg.lstsq(design, right, rcond=None)[0]
    square = sums.square[0, 0]
    spread = np.sqrt(max(square - explained, 0.0) / max(sums.rows, 1))
    if not spread > 1e-6 * np.sqrt(square / max(sums.rows, 1)):
        raise Refused("the outcome does not vary beyond its groups: nothing can be learned")
    return float(spread)


def _mode(sums: RowSums, prior: Prior | None) -> Array:
    """Log standard deviations at the mode of their marginal density, for the first outcome."""
    unit = np.log(_spread(sums))
    sums = sums.some(slice(1))

    def loss(relative: Array) -> float:
        here = float(_log_density(sums, prior, (relative + unit)[None])[0, 0])
        return min(-here / sums.rows, _FAR)  # steps back from a number, not from infinity

    start = np.full(sums.sds, -1.0)
    start[0] = -0.1
    bounds = [(_LEAST_LOG_SD, _LARGEST_LOG_SD)] * sums.sds
    # By row: the first step is as long as the slope, and that of many rows ends at the bounds.
    near = {"ftol": 1e-13, "gtol": 1e-5 / sums.rows}
    found = minimize(loss, start, method="L-BFGS-B", bounds=bounds, options=near)
    return np.asarray(found.x + unit)


class _Proposal:
    """Student distribution of the log standard deviations, cut where none could be believed."""

    def __init__(self, centre: Array, covariance: Array, log_unit: float) -> None:
        self.centre = centre
        self._bounds = (log_unit + _LEAST_LOG_SD, log_unit + _LARGEST_LOG_SD)
        values, vectors = np.linalg.eigh(covariance)
        self._root = vectors * np.sqrt(np.clip(values, 1e-6, None)) * _WIDER

    def draw(self, count: int, rng: np.random.Generator) -> tuple[Array, Array]:
        """Draws, shape (count, K), and their log density up to a constant; infinite if cut."""
        size = self.centre.size
        scale = np.sqrt(_TAIL_DF / rng.chisquare(_TAIL_DF, count))
        standard = rng.standard_normal((count, size)) * scale[:, None]
        log_density = -0.5 * (_TAIL_DF + size) * np.log1p((standard**2).sum(axis=1) / _TAIL_DF)
        drawn = self.centre + standard @ self._root.T
        inside = np.clip(drawn, *self._bounds)
        return inside, np.where((inside == drawn).all(axis=1), log_density, np.inf)


def _adapt(sums: RowSums, prior: Prior, rng: np.random.Generator) -> _Proposal:
    """Fit the proposal to the posteriors of a few outcomes together by repeated weighting."""
    few = sums.some(slice(0, None, -(-sums.cross.shape[-1] // _ADAPTED)))
    log_unit = np.log(_spread(few))
    centre = _mode(few, prior)
    proposal = _Proposal(centre, np.eye(centre.size) * 0.3**2, log_unit)
    for _ in range(_ROUNDS):
        log_sds, log_proposed = proposal.draw(_CANDIDATES, rng)
        each = _normalise(_log_density(few, prior, log_sds) - log_proposed[:, None])
        weight = each.mean(axis=1)
        weight = np.minimum(weight, 10 / _CANDIDATES)  # a first, poor proposal must not collapse
        weight /= weight.sum()
        centre = weight @ log_sds
        away = log_sds - centre
        proposal = _Proposal(centre, (away * weight[:, None]).T @ away, log_unit)
    return proposal


def _normalise(log_weight: Array) -> Array:
    weight = np.exp(log_weight - log_weight.max(axis=0))
    return np.asarray(weight / weight.sum(axis=0))


def draw_posterior(
    sums: RowSums,
    prior: Prior,
    rng: np.random.Generator,
    draws: int = 400,
) -> MixedEffectsDraws:
    """Posterior draws of one outcome, or one draw for each of many outcomes.

    The uncertainty of all standard deviations is in them.

    The marginal density of the log standard deviations is met by a Student proposal, fitted to
    a few of the outcomes; each outcome's draw is chosen among the candidates by its own weights,
    its coefficients then come from their exact normal distribution.

    Parameters
    ----------
    sums : RowSums
        With D outcomes on the same rows.
    prior : Prior
    rng : Generator
    draws : int
        Of a single outcome; many outcomes get one each.

    Returns
    -------
    MixedEffectsDraws
        With many outcomes, draw d belongs to the d-th.

    Raises
    ------
    Refused
        If the outcome does not vary.

    Examples
    --------
    Two outcomes one apart, each with its own draw:

    >>> outcome = np.random.default_rng(3).normal(size=400)
    >>> sums = sum_rows(np.column_stack([outcome, outcome + 1]), np.ones((400, 1)), [])
    >>> prior = Prior(np.zeros(1), np.array([np.inf]), 1.0)
    >>> drawn = draw_posterior(sums, prior, np.random.default_rng(1))
    >>> bool(abs(np.diff(drawn.coefficients[:, 0])[0] - 1) < 0.3)
    True
    """
    proposal = _adapt(sums, prior, rng)
    size, outcomes = sums.cross.shape[1:]
    number = draws if outcomes == 1 else outcomes
    log_sds, log_proposed = proposal.draw(_CANDIDATES, rng)
    weight = _normalise(_log_density(sums, prior, log_sds) - log_proposed[:, None])
    chosen = (rng.random(number) > np.cumsum(weight, axis=0)[:-1]).sum(axis=0)
    coefficients = np.empty((number, sums.arrangement.total))
    for candidate in np.unique(chosen):
        own = np.flatnonzero(chosen == candidate)
        of_own = sums if outcomes == 1 else sums.some(own)
        system = _system(of_own, prior, log_sds[candidate][None])
        noise = rng.standard_normal((1, size, own.size))
        drawn = system.factor.back(system.factor.half(system.right) + noise)[0]
        coefficients[own] = sums.arrangement.restored(drawn).T
    efficiency = float((1 / (weight**2).sum(axis=0)).mean() / _CANDIDATES)
    return MixedEffectsDraws(coefficients, np.exp(log_sds[chosen]), efficiency)


def fit_mixed_effects(
    outcome: Array,
    design: Array,
    effects: Sequence[RandomEffect],
    *,
    names: Sequence[str],
    weights: Array | None = None,
    cells: Integers | None = None,
    prior: Prior | None = None,
    draws: int = 400,
    seed: int = 1,
) -> xr.Dataset:
    r"""Fit a linear mixed model and return draws.

    .. math:: y = X b + \sum_k Z_k u_k + v_{cell} + e,\quad u_k \sim N(0, \tau_k^2 I),\quad
              v \sim N(0, \tau_c^2),\quad e_i \sim N(0, \sigma^2 / w_i)

    Parameters
    ----------
    outcome : ndarray, (n,)
    design : ndarray, (n, p)
        Columns of X, the intercept among them.
    effects : sequence of RandomEffect
        Crossed or nested, in any number.
    names : sequence of str
        Of the columns of the design.
    weights : ndarray, (n,), optional
    cells : ndarray of int, (n,), optional
        See `sum_rows`.
    prior : Prior, optional
        By default flat on coefficients; standard deviations half-normal on the spread of the
        outcome, weak for any effect smaller than the outcome itself.
    draws : int
    seed : int

    Returns
    -------
    Dataset
        `coefficient` (draw, term); one variable an effect, (draw, its own levels); `sd`
        (draw, part), parts being residual, the effects and cells. The attribute `efficiency`
        is the effective share of the weighted proposals.

    Raises
    ------
    Refused
        If the outcome does not vary, or without a prior columns of the design move together.

    Notes
    -----
    Standard deviations of few levels (three sites) rest on their prior as much as on the data;
    that uncertainty is carried, which a plug-in estimate does not do. Not to be believed where
    the spread differs by level or tails are heavy.

    References
    ----------
    Henderson, C. R. (1975), Biometrics 31:423, doi:10.2307/2529430; Gelman, A. (2006), Bayesian
    Anal. 1:515, doi:10.1214/06-BA117A, on priors of standard deviations.

    Examples
    --------
    >>> import numpy as np
    >>> rng = np.random.default_rng(2)
    >>> site = np.arange(300) % 6
    >>> x = rng.normal(size=300)
    >>> y = 2.0 * x + rng.normal(size=6)[site] + rng.normal(size=300)
    >>> fitted = fit_mixed_effects(
    ...     y, np.column_stack([np.ones(300), x]), [RandomEffect("site", site, 6)],
    ...     names=["intercept", "x"], draws=100,
    ... )
    >>> bool(abs(fitted["coefficient"].sel(term="x").mean() - 2.0) < 0.2)
    True
    """
    columns = np.asarray(design, dtype=float)
    values = np.asarray(outcome, dtype=float)
    sums = sum_rows(values, columns, effects, weights, cells)
    if prior is None:
        if np.linalg.matrix_rank(columns) < columns.shape[1]:
            raise Refused("some columns move together: their effects cannot be told apart")
        flat = np.full(columns.shape[1], np.inf)
        prior = Prior(np.zeros(columns.shape[1]), flat, _spread(sums))
    drawn = draw_posterior(sums, prior, np.random.default_rng(seed), draws)
    parts = ["residual", *(effect.name for effect in effects)]
    parts += ["cells"] if cells is not None else []
    fitted = xr.Dataset(
        {
            "coefficient": (("draw", "term"), drawn.coefficients[:, : columns.shape[1]]),
            "sd": (("draw", "part"), drawn.sds),
        },
        coords={"term": list(names), "part": parts},
        attrs={"efficiency": drawn.efficiency},
    )
    start = columns.shape[1]
    for effect in effects:
        levels = drawn.coefficients[:, start : start + effect.count]
        fitted[effect.name] = (("draw", f"{effect.name}_level"), levels)
        start += effect.count
    return fitted
