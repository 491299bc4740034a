"""Likelihood of daily capture histories under entry, stay and capture, in JAX.

A bird of class c enters on day e with chance b_c(e), is still there k days later with chance

    S_c(k) = exp[−(k / λ_c)^κ_c],    mean stay λ_c Γ(1 + 1/κ_c),

and is caught on a day it is there with chance 1 − exp(−h × effort), h₁ until its first capture and
h₂ after it. κ above 1 means that birds leave the likelier the longer they have been there, as
birds that fuel do; residents have κ = 1. When a bird entered is not seen and is summed out: for
one first caught on day f and last on day l,

    L_c = Σ_e b_c(e) q₁(e, f) p₁(f) χ_c(e, l) Π_{f<d≤l} p₂(d)^x(d) [1 − p₂(d)]^(1 − x(d)) / P_c,

with q₁(e, f) the chance not to be caught from day e to the day before f, χ_c(e, l) that of being
there on day l and not being caught after it, and P_c that of being caught at all. Classes are
summed out.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np

# θ: these, then the log entry of passage birds at knots about a week apart.
NAMES = ("log_passage_stay", "log_resident_stay", "logit_residents", "log_first_rate",
         "log_later_rate", "logit_there_at_start", "log_shape")  # fmt: skip

# Priors. Songbird stays are usually 1 to 15 days (Chernetsov 2012): within .8 of log 5. Residents
# stay for weeks and are perhaps a quarter of the birds caught, within a wide band. A tenth of the
# birds there is caught on a day of usual effort, within twentyfold. The shape of stays lies
# between one that falls from the first day (.7) and one as narrow as half its mean (2.5).
PRIOR_MEAN = np.array([np.log(5.0), np.log(40.0), -1.0, np.log(0.1), np.log(0.1), 0.5, 0.3])
PRIOR_SD = np.array([0.8, 0.6, 1.5, 1.5, 1.5, 1.5, 0.4])
ENTRY_STEP_SD, ENTRY_LEVEL_SD = 1.0, 3.0
_NEVER = 1e-140  # a chance too small to matter, whose logarithm bends within the numbers
_STEP = 1e-4  # of differences in θ, logarithms and logits
_LEAST_LOG = 300.0  # the same for the chance to be there still


class Histories(NamedTuple):
    """Birds and days; padded birds have `weight` 0, padded days `worked` 0."""

    first: Any  # (n,) int, place in `day`
    last: Any  # (n,) int, place in `day`
    caught_again: Any  # (n, D): caught on the day, after the first capture
    missed: Any  # (n, D): not caught on the day, between first and last capture
    weight: Any  # (n,)
    day: Any  # (D,) int: the days of sampling
    worked: Any  # (D,): 1, or 0 for a day that only fills up
    effort: Any  # (T,), 1 is usual
    knots: Any  # (T, K): weights of the knots of entry
    residents: Any  # 1 with a class of residents, 0 without


def _still_there(days: Any, log_stay: Any, log_shape: Any) -> Any:
    """S(k); 1 on the day of entering."""
    shape = jnp.exp(log_shape)
    log_scale = log_stay - jax.scipy.special.gammaln(1 + 1 / shape)
    later = jnp.maximum(days, 1.0)
    log_gone = jnp.minimum(shape * (jnp.log(later) - log_scale), jnp.log(_LEAST_LOG))
    return jnp.where(days > 0, jnp.exp(-jnp.exp(log_gone)), 1.0)


class _Sampling(NamedTuple):
    """What days of sampling see of birds that are there."""

    lag: Any  # (T, D): days from entry to a day of sampling
    waiting: Any  # q₁, (T, D): not caught from entry to the day before; 0 for entries after it
    caught: Any  # p₁, (D,)
    unseen: Any  # (D, D): not caught after the row's day up to the column's; 0 for days before


def _see(theta: Any, histories: Histories) -> _Sampling:
    at = histories.day
    waited = jnp.exp(theta[3]) * histories.effort
    before = jnp.cumsum(waited) - waited
    missed = jnp.cumsum(jnp.exp(theta[4]) * histories.effort)[at]
    lag = at - jnp.arange(histories.effort.size)[:, None]
    return _Sampling(
        lag,
        jnp.where(lag >= 0, jnp.exp(before)[:, None] * jnp.exp(-before[at]), 0.0),
        -jnp.expm1(-waited[at]) * histories.worked,
        jnp.triu(jnp.exp(jnp.minimum(missed[:, None] - missed, 0.0))),
    )


def _leave(there: Any) -> Any:
    """Those last there between a day of sampling and the next."""
    return there - jnp.pad(there[:, 1:], ((0, 0), (0, 1)))


def _passage(entry: Any, log_stay: Any, log_shape: Any, seen: _Sampling) -> tuple[Any, Any]:
    """Σ_e b(e) q₁(e, f) χ(e, l) on days of sampling, (D, D), and P."""
    stays = _still_there(jnp.arange(entry.size), log_stay, log_shape)
    there = jnp.where(seen.lag >= 0, stays[jnp.maximum(seen.lag, 0)], 0.0)
    arrived = entry[:, None] * seen.waiting
    path = (arrived.T @ _leave(there)) @ seen.unseen.T
    return path, ((arrived * there).sum(axis=0) * seen.caught).sum()


def _residents(entry: Any, log_stay: Any, seen: _Sampling) -> tuple[Any, Any]:
    """The same where κ = 1: who is there on a day may forget when it entered."""
    stays = jnp.exp(-jnp.arange(entry.size) * jnp.exp(-log_stay))
    there = jnp.where(seen.lag >= 0, stays[jnp.maximum(seen.lag, 0)], 0.0)
    present = (entry[:, None] * seen.waiting * there).sum(axis=0)
    day = seen.lag[0]
    on = jnp.triu(stays[jnp.abs(day - day[:, None])])  # there on the row's day and the column's
    no_more = (_leave(on) * seen.unseen).sum(axis=1)
    return present[:, None] * on * no_more, (present * seen.caught).sum()


def class_log_density(theta: Any, histories: Histories) -> Any:
    """Log of L_c for each bird, (n, 2), and of P_c, (2,): passage first."""
    entry = jax.nn.softmax(histories.knots @ theta[len(NAMES) :])
    there = jax.nn.sigmoid(theta[5])
    uniform = ((1 - there) * jnp.full(entry.size, 1 / entry.size)).at[0].add(there)
    seen = _see(theta, histories)
    found = [_passage(entry, theta[0], theta[6], seen), _residents(uniform, theta[1], seen)]
    first, last = histories.first, histories.last
    path = jnp.stack([path[first, last] for path, _ in found], axis=1)
    log_ever = jnp.log(jnp.stack([ever for _, ever in found]) + _NEVER)
    effort = jnp.where(histories.worked > 0, histories.effort[histories.day], 1.0)
    log_missed = -jnp.exp(theta[4]) * effort
    log_later = jnp.log(-jnp.expm1(log_missed))
    log_first = jnp.log(-jnp.expm1(-jnp.exp(theta[3]) * effort))
    between = histories.caught_again @ log_later + histories.missed @ log_missed
    return jnp.log(path + _NEVER) + (between + log_first[first])[:, None] - log_ever, log_ever


def log_likelihood(theta: Any, histories: Histories) -> Any:
    """Log likelihood given that each bird was caught; `logit_residents` is among the caught."""
    log_density, _ = class_log_density(theta, histories)
    share = jnp.stack([jax.nn.log_sigmoid(-theta[2]), jax.nn.log_sigmoid(theta[2])])
    share = jnp.where(histories.residents > 0, share, jnp.array([0.0, -1e3]))
    both = jax.scipy.special.logsumexp(log_density + share, axis=1)
    return (histories.weight * both).sum()


def _negative_log_joint(theta: Any, histories: Histories) -> Any:
    count = len(NAMES)
    penalty = (((theta[:count] - PRIOR_MEAN) / PRIOR_SD) ** 2).sum()
    penalty += (jnp.diff(theta[count:]) ** 2).sum() / ENTRY_STEP_SD**2
    penalty += (theta[count:] ** 2).sum() / ENTRY_LEVEL_SD**2
    return 0.5 * penalty - log_likelihood(theta, histories)


@jax.jit
def _slopes(thetas: Any, histories: Histories) -> Any:
    slope = jax.value_and_grad(_negative_log_joint)
    return jax.lax.map(lambda theta: slope(theta, histories), thetas)


def value_and_slope(theta: Any, histories: Histories) -> Any:
    """Negative log joint density and its gradient in θ."""
    values, slopes = _slopes(theta[None], histories)
    return values[0], slopes[0]


def derivatives(theta: Any, phi: Any, histories: Histories) -> Any:  # noqa: ARG001
    """Negative log joint density, gradient and Hessian in θ, this by differences of gradients.

    Differentiated twice, the likelihood takes several times as long to compile as to fit.
    """
    aside = _STEP * jnp.eye(theta.size)
    values, slopes = _slopes(
        jnp.concatenate([theta[None], theta + aside, theta - aside]), histories
    )
    ahead, behind = jnp.split(slopes[1:], 2)
    hessian = (ahead - behind) / (2 * _STEP)
    return values[0], slopes[0], (hessian + hessian.T) / 2


@jax.jit
def heights(thetas: Any, histories: Histories) -> Any:
    """Log joint density, (draw,)."""
    return jax.lax.map(lambda theta: -_negative_log_joint(theta, histories), thetas)


@jax.jit
def log_caught(thetas: Any, histories: Histories) -> Any:
    """Log chance of being caught by class, (draw, 2)."""
    return jax.lax.map(lambda theta: class_log_density(theta, histories)[1], thetas)
