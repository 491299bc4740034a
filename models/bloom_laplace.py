r"""Overdispersed counts in groups: mode, spread and variance components.

.. math::

    y_{gi} \sim \mathrm{NB}(a_{gi} e^{\eta_{gi}(\theta) + (L_g z_g)_i}, r), \qquad
    \theta_j \sim N(m_j, \sigma_{c(j)}^2), \qquad z_{gi} \sim N(0, \tau^2)

All rows of a group touch the same few parameters, and :math:`L_g z_g` is the group's own smooth
departure. The mode comes from damped Gauss–Newton steps in which departures are eliminated group
by group, so that only the shared parameters are solved for together; draws come from the normal
approximation there, and each variance component from its fixed point

.. math:: \sigma_c^2 = \frac{\nu s_c^2 + \sum_j (\theta_j - m_j)^2}{\nu + e_c},\quad
          e_c = n_c - \sum_j \mathrm{Var}(\theta_j)/\sigma_c^2

with a scaled inverse chi-square prior of :math:`\nu` degrees of freedom about :math:`s_c`.

References
----------
MacKay, D. J. C. (1992). Bayesian interpolation. Neural Computation 4, 415–447.
https://doi.org/10.1162/neco.1992.4.3.415 (the fixed point, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize_scalar
from scipy.sparse import csc_array
from scipy.sparse.linalg import splu
from scipy.special import gammaln

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Predictor = Callable[[Floats], tuple[Floats, Floats]]

PRIOR_DF = 5.0  # weight of the prior scale of a component, in levels
LOG_DISPERSION = (1.0, 1.0)  # prior mean and sd of log r: counts vary by some 60 % about the mean
LARGEST_LOG = 30.0  # guards exp while a step is tried
STEPS = 200
ROUNDS = 60
INNER_DRAWS = 40
SETTLED_CHANGE = 0.03  # of a log spread in a round
SMALL_GAIN = 1e-3  # of the log posterior, expected from one more step
STALLED_GAIN = 0.5  # if no step gains: far below what an interval can show, over all parameters
DENSE_MOST = 2000  # shared parameters up to which a dense factor is faster than a sparse one


@dataclass(frozen=True)
class Components:
    """Which parameters share a spread, and what is thought of it beforehand.

    Attributes
    ----------
    mean : ndarray, shape (p,)
        Prior mean of each parameter.
    member : ndarray of int, shape (p,)
        Component of each parameter.
    scale : ndarray, shape (c,)
        Prior scale of each component.
    learned : ndarray of bool, shape (c,)
        Whether the scale is learned; otherwise it is held.
    taught : ndarray of bool, shape (p,)
        Whether any row touches the parameter.
    """

    mean: Floats
    member: Ints
    scale: Floats
    learned: npt.NDArray[np.bool_]
    taught: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Problem:
    """Counts in groups, padded to one length, and what predicts them.

    Attributes
    ----------
    predictor : callable
        theta -> (eta, Jacobian), shapes (g, m) and (g, m, k).
    columns : ndarray of int, shape (g, k)
        Parameters that the rows of each group touch.
    root : ndarray, shape (g, m, m)
        Lower root of the correlation of each group's departures; 0 in padded rows.
    departure_sd : float
        Their spread; 0 for none.
    count, log_area : ndarray, shape (g, m)
    known : ndarray of bool, shape (g, m)
        False where a row is padding.
    components : Components
    """

    predictor: Predictor
    columns: Ints
    root: Floats
    departure_sd: float
    count: Floats
    log_area: Floats
    known: npt.NDArray[np.bool_]
    components: Components


@dataclass(frozen=True)
class Mode:
    """A mode with its variance components.

    Attributes
    ----------
    theta : ndarray, shape (p,)
    departure : ndarray, shape (g, m)
        Whitened departures z.
    scale : ndarray, shape (c,)
        Spread of each component.
    freedom : ndarray, shape (c,)
        Effective number of levels that taught it.
    log_dispersion : float
    settled : bool
        Whether the steps and the components came to rest.
    """

    theta: Floats
    departure: Floats
    scale: Floats
    freedom: Floats
    log_dispersion: float
    settled: bool


def negative_binomial_log_likelihood(
    count: Floats, log_mean: Floats, log_dispersion: float
) -> Floats:
    """Log probability of counts with variance mean + mean²/r, elementwise.

    Examples
    --------
    >>> value = negative_binomial_log_likelihood(np.array([2.0]), np.log([3.0]), 20.0)
    >>> round(float(np.exp(value[0])), 4)  # near Poisson(3) at 2: 4.5 e**-3
    0.224
    """
    r = np.exp(log_dispersion)
    log_share = log_mean - np.logaddexp(log_mean, log_dispersion)
    log_rest = log_dispersion - np.logaddexp(log_mean, log_dispersion)
    return np.asarray(
        gammaln(count + r) - gammaln(r) - gammaln(count + 1.0) + count * log_share + r * log_rest
    )


def find_mode(
    problem: Problem, start: Floats | None = None, held: Mode | None = None, seed: int = 1
) -> Mode:
    """Fit parameters, variance components and dispersion.

    Parameters
    ----------
    problem : Problem
    start : ndarray, shape (p,), optional
        Where to begin; the prior mean otherwise.
    held : Mode, optional
        Take components and dispersion from here and fit the parameters alone.
    seed : int
        Seeds the draws behind the effective freedoms.

    Returns
    -------
    Mode
    """
    components = problem.components
    theta = components.mean.copy() if start is None else start.copy()
    departure = np.zeros(problem.count.shape)
    if held is not None:
        theta, departure, rested, _ = _climb(
            problem, held.scale, held.log_dispersion, theta, departure
        )
        return Mode(theta, departure, held.scale, held.freedom, held.log_dispersion, rested)
    scale, log_r = components.scale, LOG_DISPERSION[0]
    freedom = np.zeros_like(scale)
    noise = _Noise.draw(problem, INNER_DRAWS, seed)
    settled = False
    for _ in range(ROUNDS):
        theta, departure, _, system = _climb(problem, scale, log_r, theta, departure)
        spread, _, log_spread = system.spread(noise)
        newer, freedom = _update_scales(theta, spread.var(axis=1), components, scale)
        rows = problem.known
        newer_log_r = _update_dispersion(
            problem.count[rows], system.log_mean[rows], log_spread.var(axis=-1)[rows], log_r
        )
        change = max(np.abs(np.log(newer / scale)).max(), abs(newer_log_r - log_r))
        scale, log_r = newer, newer_log_r
        if change < SETTLED_CHANGE:
            settled = True
            break
    theta, departure, rested, _ = _climb(problem, scale, log_r, theta, departure)
    return Mode(theta, departure, scale, freedom, log_r, settled and rested)


def draw_parameters(mode: Mode, problem: Problem, draws: int, seed: int) -> tuple[Floats, Floats]:
    """Draws of parameters and departures from the normal approximation at the mode.

    Levels that no row touches have their component's spread drawn as well, with the freedom
    that taught it: their draws have the tails of Student's t.

    Returns
    -------
    theta : ndarray, shape (p, draws)
    departure : ndarray, shape (g, m, draws)
    """
    components = problem.components
    eta, jacobian = problem.predictor(mode.theta)
    log_mean = _log_mean(problem, eta, mode.departure)
    system = _System.at(problem, jacobian, log_mean, mode.scale, mode.log_dispersion)
    spread, departure, _ = system.spread(_Noise.draw(problem, draws, seed))
    degrees = (PRIOR_DF + mode.freedom)[:, None]
    rng = np.random.default_rng([seed, 1])
    widening = np.sqrt(degrees / rng.chisquare(degrees, (len(degrees), draws)))
    widening[~components.learned] = 1.0
    untaught = ~components.taught
    spread[untaught] *= widening[components.member[untaught]]
    return mode.theta[:, None] + spread, mode.departure[..., None] + departure


@dataclass(frozen=True)
class _Noise:
    """Standard normal noise behind draws: of the prior, of departures and of counts."""

    prior: Floats
    departure: Floats
    count: Floats

    @classmethod
    def draw(cls, problem: Problem, draws: int, seed: int) -> _Noise:
        rng = np.random.default_rng(seed)
        rows = (*problem.count.shape, draws)
        return cls(
            rng.standard_normal((len(problem.components.mean), draws)),
            rng.standard_normal(rows),
            rng.standard_normal(rows),
        )


@dataclass(frozen=True)
class _System:
    """The negative Hessian at a point, departures eliminated; solves and draws with it."""

    problem: Problem
    jacobian: Floats
    log_mean: Floats
    weight: Floats  # (g, m): information of each count about the log of its mean
    precision: Floats  # (p,)
    own: Floats  # (g, m, m): inverse information about departures, the rest held
    back: Floats  # (g, m, k): own rootᵀ W J
    solve_shared: Callable[[Floats], Floats]

    @classmethod
    def at(
        cls, problem: Problem, jacobian: Floats, log_mean: Floats, scale: Floats, log_r: float
    ) -> _System:
        weight = np.where(problem.known, _information(log_mean, log_r), 0.0)
        precision = scale[problem.components.member] ** -2
        weighted = weight[..., None] * jacobian
        blocks = np.matmul(jacobian.transpose(0, 2, 1), weighted)
        across = np.matmul(problem.root.transpose(0, 2, 1), weighted)
        pull = np.matmul(problem.root.transpose(0, 2, 1), weight[..., None] * problem.root)
        if problem.departure_sd > 0:
            own = np.linalg.inv(pull + np.eye(pull.shape[1]) * problem.departure_sd**-2)
        else:
            own = np.zeros_like(pull)
        back = np.matmul(own, across)
        blocks = blocks - np.matmul(across.transpose(0, 2, 1), back)
        solve_shared = _factor(blocks, problem.columns, precision)
        return cls(problem, jacobian, log_mean, weight, precision, own, back, solve_shared)

    def solve(self, by_theta: Floats, by_departure: Floats) -> tuple[Floats, Floats]:
        """Solve for columns of right-hand sides, shapes (p, d) and (g, m, d)."""
        columns, draws = self.problem.columns, by_theta.shape[1]
        carried = np.matmul(self.back.transpose(0, 2, 1), by_departure)
        theta = self.solve_shared(by_theta - _gather(columns, carried, (len(by_theta), draws)))
        return theta, np.matmul(self.own, by_departure) - np.matmul(self.back, theta[columns])

    def spread(self, noise: _Noise) -> tuple[Floats, Floats, Floats]:
        """Draws of N(0, H⁻¹) by perturbing prior and data alike: theta, departures, log means."""
        pushed = np.sqrt(self.weight)[..., None] * noise.count
        by_theta = np.sqrt(self.precision)[:, None] * noise.prior
        sums = np.matmul(self.jacobian.transpose(0, 2, 1), pushed)
        by_theta = by_theta + _gather(self.problem.columns, sums, by_theta.shape)
        by_departure = np.matmul(self.problem.root.transpose(0, 2, 1), pushed)
        if self.problem.departure_sd > 0:
            by_departure = by_departure + noise.departure / self.problem.departure_sd
        theta, departure = self.solve(by_theta, by_departure)
        log_mean = np.matmul(self.jacobian, theta[self.problem.columns])
        return theta, departure, log_mean + np.matmul(self.problem.root, departure)


def _gather(columns: Ints, values: Floats, shape: tuple[int, ...]) -> Floats:
    """Sum what the groups (g, k, d) say of each parameter, shape (p, d)."""
    out = np.zeros(shape)
    np.add.at(out, columns.ravel(), values.reshape(columns.size, shape[1]))
    return out


def _factor(blocks: Floats, columns: Ints, precision: Floats) -> Callable[[Floats], Floats]:
    """Put the groups' blocks together with the prior and give what solves with them."""
    size, width = len(precision), columns.shape[1]
    row = np.repeat(columns, width, axis=1).ravel()
    column = np.tile(columns, width).ravel()
    if size > DENSE_MOST:
        own = np.arange(size)
        values = np.concatenate([blocks.ravel(), precision])
        places = np.concatenate([row, own]), np.concatenate([column, own])
        factor = splu(
            csc_array((values, places), shape=(size, size)),
            permc_spec="MMD_AT_PLUS_A",
            options={"SymmetricMode": True},
            diag_pivot_thresh=0.0,
        )
        return lambda right: np.asarray(factor.solve(right))
    together = np.bincount(row * size + column, blocks.ravel(), size * size).reshape(size, size)
    lower = cho_factor(together + np.diag(precision), lower=True, overwrite_a=True)
    return lambda right: np.asarray(cho_solve(lower, right))


def _log_mean(problem: Problem, eta: Floats, departure: Floats) -> Floats:
    smooth = np.matmul(problem.root, departure[..., None])[..., 0]
    return np.asarray(eta + smooth + problem.log_area)


def _information(log_mean: Floats, log_r: float) -> Floats:
    """Expected information of a count about the log of its mean: m r / (m + r)."""
    return np.asarray(np.exp(log_mean + log_r - np.logaddexp(log_mean, log_r)))


def _climb(
    problem: Problem, scale: Floats, log_r: float, theta: Floats, departure: Floats
) -> tuple[Floats, Floats, bool, _System]:
    """Damped Gauss–Newton steps to the mode; whether it was reached, and the last system."""
    components, root = problem.components, problem.root
    precision = scale[components.member] ** -2
    own_precision = problem.departure_sd**-2 if problem.departure_sd > 0 else 0.0

    def height(at: Floats, own: Floats, log_mean: Floats) -> float:
        likelihood = negative_binomial_log_likelihood(problem.count, log_mean, log_r)
        prior = (precision * (at - components.mean) ** 2).sum() + own_precision * (own**2).sum()
        return float(likelihood[problem.known].sum() - 0.5 * prior)

    eta, jacobian = problem.predictor(theta)
    log_mean = _log_mean(problem, eta, departure)
    now, gain = height(theta, departure, log_mean), np.inf
    for _ in range(STEPS):
        clipped = np.clip(log_mean, -LARGEST_LOG, LARGEST_LOG)
        system = _System.at(problem, jacobian, clipped, scale, log_r)
        # d log NB / d eta = (y − m) r / (r + m), written without overflow
        slope = problem.count * system.weight / np.exp(clipped) - system.weight
        sums = np.matmul(jacobian.transpose(0, 2, 1), slope[..., None])
        by_theta = _gather(problem.columns, sums, (len(theta), 1))[:, 0]
        by_theta -= precision * (theta - components.mean)
        by_departure = np.matmul(root.transpose(0, 2, 1), slope[..., None])[..., 0]
        by_departure -= own_precision * departure
        step, own_step = system.solve(by_theta[:, None], by_departure[..., None])
        step, own_step = step[:, 0], own_step[..., 0]
        gain = float(step @ by_theta + (own_step * by_departure).sum())
        if gain < SMALL_GAIN:
            return theta, departure, True, system
        length = 1.0
        while length > 1e-4:
            tried, own_tried = theta + length * step, departure + length * own_step
            tried_eta, tried_jacobian = problem.predictor(tried)
            tried_log_mean = _log_mean(problem, tried_eta, own_tried)
            reached = height(tried, own_tried, tried_log_mean)
            if np.isfinite(reached) and reached > now + 1e-4 * length * gain:
                break
            length *= 0.5
        else:
            return theta, departure, gain < STALLED_GAIN, system
        theta, departure, now = tried, own_tried, reached
        jacobian, log_mean = tried_jacobian, tried_log_mean
    return theta, departure, gain < STALLED_GAIN, system


def _update_scales(
    theta: Floats, variance: Floats, components: Components, scale: Floats
) -> tuple[Floats, Floats]:
    counted = components.taught
    member, size = components.member[counted], len(scale)
    squares = np.bincount(member, (theta - components.mean)[counted] ** 2, size)
    lost = np.bincount(member, variance[counted], size) / scale**2
    levels = np.bincount(member, minlength=size)
    freedom = np.clip(levels - lost, 0.0, None)
    newer = np.sqrt((PRIOR_DF * components.scale**2 + squares) / (PRIOR_DF + freedom))
    return np.where(components.learned, newer, scale), freedom


def _update_dispersion(count: Floats, log_mean: Floats, variance: Floats, log_r: float) -> float:
    """Dispersion where log means (n,) are known to a variance.

    The likelihood is expected to second order: on days without flowers a log mean can be anything
    far below zero, and draws of it by its slope, where it is large, would say nothing of counts.
    """
    middle, sd = LOG_DISPERSION

    def loss(log_dispersion: float) -> float:
        at_mean = negative_binomial_log_likelihood(count, log_mean, log_dispersion)
        lost = 0.5 * variance * _information(log_mean, log_dispersion)
        return float((lost - at_mean).sum() + 0.5 * ((log_dispersion - middle) / sd) ** 2)

    found = minimize_scalar(
        loss, bounds=(log_r - 1.5, log_r + 1.5), method="bounded", options={"xatol": 0.01}
    )
    return float(found.x)
