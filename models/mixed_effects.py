"""Gaussian mixed model with any number of crossed random effects, by sums of products.

Rows enter once, as sums of products; every evaluation of the marginal likelihood then costs one
Cholesky factor of the size of the coefficients, whatever the number of rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy.linalg import cho_solve, solve_triangular
from scipy.optimize import minimize

from phenology.models.mixed_effects_rows import Array, Integers, RandomEffect, RowSums, sum_rows
from phenology.models.refusal import Refused

_TAIL_DF = 5.0  # of the Student proposal, heavier than the posterior it stands for
_WIDER = 1.2  # spread of the proposal over that of the posterior
_LEAST_LOG_SD = np.log(1e-4)  # of the outcome's spread: a random effect smaller than that is none
_LARGEST_LOG_SD = np.log(20.0)
_ROUNDS = 3
_BATCH_CELLS = 4_000_000


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
    """Restricted maximum likelihood: standard deviations, coefficients and their covariance."""

    sds: Array
    coefficients: Array
    covariance: Array


@dataclass(frozen=True)
class _Conditional:
    """Given the standard deviations: Cholesky factors, solutions and marginal densities."""

    factor: Array  # (S, P, P), lower
    mean: Array  # (S, P, D)
    log_density: Array  # (S, D)


def _condition(sums: RowSums, prior: Prior | None, log_sds: Array) -> _Conditional:
    """Integrate the coefficients out at S sets of log standard deviations, shape (S, K)."""
    variance = np.exp(2 * log_sds)
    residual = variance[:, 0]
    size = sums.products.shape[0]
    sets, outcomes = len(log_sds), sums.cross.shape[1]
    matrix = sums.products[None] / residual[:, None, None]
    right = sums.cross[None] / residual[:, None, None]
    square = sums.square[None] / residual[:, None]
    log_det = np.zeros(sets)
    if sums.cell_size.size:
        spread = variance[:, -1:]
        total = residual[:, None] + sums.cell_size * spread
        taken = spread / (residual[:, None] * total)
        matrix = matrix - (taken @ sums.cell_products.reshape(-1, size * size)).reshape(
            sets, size, size
        )
        right = right - (taken @ sums.cell_cross.reshape(-1, size * outcomes)).reshape(
            sets, size, outcomes
        )
        square = square - taken @ sums.cell_square
        log_det += (sums.cell_number * np.log(total / residual[:, None])).sum(axis=1)
    precision = np.zeros((sets, size))
    mean = np.zeros(size)
    if prior is not None:
        precision[:, : sums.design] = prior.coefficient_sd**-2.0
        mean[: sums.design] = prior.coefficient_mean
    start = sums.design
    for number, count in enumerate(sums.counts):
        precision[:, start : start + count] = 1 / variance[:, 1 + number, None]
        start += count
    places = np.arange(size)
    matrix = matrix.copy()
    matrix[:, places, places] += precision
    right = right + (precision * mean)[:, :, None]
    factor = np.asarray(np.linalg.cholesky(matrix), dtype=float)
    half = _forward(factor, right)
    solution = _backward(factor, half)
    proper = np.where(precision > 0, precision, 1.0)
    log_det += 2 * np.log(factor[:, places, places]).sum(axis=1) - np.log(proper).sum(axis=1)
    log_det += sums.rows * np.log(residual) - sums.log_weight
    fit = square + (precision * mean**2).sum(axis=1)[:, None] - (half**2).sum(axis=1)
    log_density = -0.5 * (log_det[:, None] + fit)
    if prior is not None:
        scaled = np.exp(log_sds) / prior.sd_scale
        log_density = log_density + (log_sds - 0.5 * scaled**2).sum(axis=1)[:, None]
    return _Conditional(factor, solution, log_density)


def _forward(factor: Array, right: Array) -> Array:
    return np.stack(
        [solve_triangular(one, side, lower=True) for one, side in zip(factor, right, strict=True)]
    )


def _backward(factor: Array, half: Array) -> Array:
    return np.stack([solve_triangular(one.T, side) for one, side in zip(factor, half, strict=True)])


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
    first = sums.outcome(0)
    best = _mode(first, None)
    found = _condition(first, None, best[None])
    covariance = cho_solve((found.factor[0], True), np.eye(first.products.shape[0]))
    return RestrictedEstimate(np.exp(best), found.mean[0, :, 0], covariance)


def _spread(sums: RowSums) -> float:
    """Root mean square of the first outcome after the design alone, the unit of the search."""
    design = sums.products[: sums.design, : sums.design]
    right = sums.cross[: sums.design, 0]
    explained = right @ np.linalg.lstsq(design, right, rcond=None)[0]
    spread = np.sqrt(max(sums.square[0] - explained, 0.0) / max(sums.rows, 1))
    if not spread > 1e-6 * np.sqrt(sums.square[0] / max(sums.rows, 1)):
        raise Refused("the outcome does not vary beyond its groups: nothing can be learned")
    return float(spread)


def _mode(sums: RowSums, prior: Prior | None) -> Array:
    """Log standard deviations at the mode of their marginal density."""
    unit = np.log(_spread(sums))

    def loss(relative: Array) -> float:
        return -float(_condition(sums, prior, (relative + unit)[None]).log_density[0, 0])

    start = np.full(sums.sds, -1.0)
    start[0] = -0.1
    bounds = [(_LEAST_LOG_SD, _LARGEST_LOG_SD)] * sums.sds
    found = minimize(loss, start, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-13})
    return np.asarray(found.x + unit)


class _Proposal:
    """Student distribution of the log standard deviations."""

    def __init__(self, centre: Array, covariance: Array) -> None:
        self.centre = centre
        values, vectors = np.linalg.eigh(covariance)
        self._root = vectors * np.sqrt(np.clip(values, 1e-6, None)) * _WIDER

    def draw(self, count: int, rng: np.random.Generator) -> tuple[Array, Array]:
        """Draws, shape (count, K), and their log density up to a constant."""
        size = self.centre.size
        scale = np.sqrt(_TAIL_DF / rng.chisquare(_TAIL_DF, count))
        standard = rng.standard_normal((count, size)) * scale[:, None]
        log_density = -0.5 * (_TAIL_DF + size) * np.log1p((standard**2).sum(axis=1) / _TAIL_DF)
        return self.centre + standard @ self._root.T, log_density


def _adapt(sums: RowSums, prior: Prior, rng: np.random.Generator, count: int) -> _Proposal:
    """Fit the proposal to the posterior of one data set by repeated weighting."""
    centre = _mode(sums, prior)
    proposal = _Proposal(centre, np.eye(centre.size) * 0.3**2)
    for _ in range(_ROUNDS):
        log_sds, log_proposed = proposal.draw(count, rng)
        log_weight = _log_density(sums, prior, log_sds)[:, 0] - log_proposed
        weight = _normalise(log_weight[:, None])[:, 0]
        weight = np.minimum(weight, 10 / count)  # a first, poor proposal must not collapse
        weight /= weight.sum()
        centre = weight @ log_sds
        away = log_sds - centre
        proposal = _Proposal(centre, (away * weight[:, None]).T @ away)
    return proposal


def _normalise(log_weight: Array) -> Array:
    weight = np.exp(log_weight - log_weight.max(axis=0))
    return np.asarray(weight / weight.sum(axis=0))


def _batches(sums: RowSums, count: int) -> list[slice]:
    at_once = max(1, _BATCH_CELLS // sums.products.size)
    return [slice(begin, begin + at_once) for begin in range(0, count, at_once)]


def _log_density(sums: RowSums, prior: Prior, log_sds: Array) -> Array:
    parts = [
        _condition(sums, prior, log_sds[part]).log_density for part in _batches(sums, len(log_sds))
    ]
    return np.concatenate(parts)


def draw_posterior(
    data: RowSums | Sequence[RowSums],
    prior: Prior,
    rng: np.random.Generator,
    candidates: int = 400,
) -> MixedEffectsDraws:
    """One posterior draw for every outcome, the uncertainty of all standard deviations in it.

    The marginal density of the log standard deviations is met by a Student proposal, fitted to
    the first data set; each outcome's draw is chosen among the candidates by its own weights,
    its coefficients then come from their exact normal distribution.

    Parameters
    ----------
    data : RowSums or sequence of RowSums
        Sums with D outcomes on the same rows, or one data set an imputation (where rows or
        drivers differ between imputations) with one outcome each.
    prior : Prior
    rng : Generator
    candidates : int
        Proposals weighted for each outcome; a tenth of it, where each has its own rows.

    Returns
    -------
    MixedEffectsDraws
        Draw d belongs to outcome or data set d.

    Raises
    ------
    Refused
        If the outcome does not vary.
    """
    first = data if isinstance(data, RowSums) else data[0]
    proposal = _adapt(first.outcome(0), prior, rng, candidates)
    if isinstance(data, RowSums):
        return _draw_outcomes(data, prior, proposal, rng, candidates)
    few = max(20, candidates // 10)
    each = [_draw_outcomes(sums, prior, proposal, rng, few) for sums in data]
    return MixedEffectsDraws(
        np.concatenate([one.coefficients for one in each]),
        np.concatenate([one.sds for one in each]),
        float(np.mean([one.efficiency for one in each])),
    )


def _draw_outcomes(
    sums: RowSums, prior: Prior, proposal: _Proposal, rng: np.random.Generator, candidates: int
) -> MixedEffectsDraws:
    log_sds, log_proposed = proposal.draw(candidates, rng)
    weight = _normalise(_log_density(sums, prior, log_sds) - log_proposed[:, None])
    chosen = (rng.random(weight.shape[1]) > np.cumsum(weight, axis=0)).sum(axis=0)
    chosen = np.minimum(chosen, candidates - 1)
    size, outcomes = sums.cross.shape
    coefficients = np.empty((outcomes, size))
    for candidate in np.unique(chosen):
        own = np.flatnonzero(chosen == candidate)
        found = _condition(sums, prior, log_sds[candidate][None])
        noise = solve_triangular(found.factor[0].T, rng.standard_normal((size, own.size)))
        coefficients[own] = (found.mean[0][:, own] + noise).T
    efficiency = float((1 / (weight**2).sum(axis=0)).mean() / candidates)
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
        If the outcome does not vary.

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
        flat = np.full(columns.shape[1], np.inf)
        prior = Prior(np.zeros(columns.shape[1]), flat, _spread(sums))
    drawn = draw_posterior(
        sums.repeated(draws), prior, np.random.default_rng(seed), max(400, draws)
    )
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
