"""Likelihood of daily capture histories under entry, stay and capture, in JAX.

A bird of class c enters on day e with chance b_c(e), is still there k days later with chance
φ_cᵏ, φ_c = exp(−1 / S_c), and is caught on a day it is there with chance 1 − exp(−h × effort),
h₁ until its first capture and h₂ after it. For a bird first caught on day f and last on day l,

    L_c = A_c(f) p₁(f) φ_c^(l − f) Π_{f<d≤l} p₂(d)^x(d) [1 − p₂(d)]^(1 − x(d)) χ_c(l) / P_c,

with A_c(f) the chance to be there on day f and not yet caught, χ_c(l) that of not being caught
after day l, and P_c = Σ A_c(f) p₁(f) that of being caught at all. Classes are summed out.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np

# θ: these, then the log entry of passage birds at knots about a week apart.
NAMES = ("log_passage_stay", "log_resident_stay", "logit_residents", "log_first_rate",
         "log_later_rate", "logit_there_at_start")  # fmt: skip

# Priors. Songbird stays are usually 1 to 15 days (Chernetsov 2012): within .8 of log 5. Residents
# stay for weeks and are perhaps a quarter of the birds caught, within a wide band. A tenth of the
# birds there is caught on a day of usual effort, within twentyfold.
PRIOR_MEAN = np.array([np.log(5.0), np.log(40.0), -1.0, np.log(0.1), np.log(0.1), 0.5])
PRIOR_SD = np.array([0.8, 0.6, 1.5, 1.5, 1.5, 1.5])
ENTRY_STEP_SD, ENTRY_LEVEL_SD = 1.0, 3.0


class Histories(NamedTuple):
    """Birds and days; padded birds have `weight` 0."""

    first: Any  # (n,) int
    last: Any  # (n,) int
    caught_again: Any  # (n, T): caught on the day, after the first capture
    missed: Any  # (n, T): not caught on the day, between first and last capture
    weight: Any  # (n,)
    effort: Any  # (T,), 1 is usual
    knots: Any  # (T, K): weights of the knots of entry
    residents: Any  # 1 with a class of residents, 0 without


def class_log_density(theta: Any, histories: Histories) -> Any:
    """Log of L_c for each bird, (n, 2), and of P_c, (2,): passage first."""
    phi = jnp.exp(-jnp.exp(-theta[:2]))
    p_first = -jnp.expm1(-jnp.exp(theta[3]) * histories.effort)
    log_missed = -jnp.exp(theta[4]) * histories.effort
    p_later = -jnp.expm1(log_missed)
    entry = jax.nn.softmax(histories.knots @ theta[len(NAMES) :])
    days = entry.size
    there = jax.nn.sigmoid(theta[5])
    uniform = (1 - there) * jnp.full(days, 1 / days)
    entries = jnp.stack([entry, uniform.at[0].add(there)], axis=1)  # (T, 2)

    def arrive(waiting: Any, day: Any) -> Any:
        present = waiting + day[0]
        return present * (1 - day[1]) * phi, present

    def leave(unseen: Any, p: Any) -> Any:
        return (1 - phi) + phi * (1 - p) * unseen, unseen

    present = jax.lax.scan(arrive, jnp.zeros(2), (entries, p_first))[1]  # A, (T, 2)
    unseen = jax.lax.scan(leave, jnp.ones(2), p_later, reverse=True)[1]  # χ, (T, 2)
    ever = (present * p_first[:, None]).sum(axis=0)
    log_later = jnp.log(jnp.where(histories.effort > 0, p_later, 1.0))
    between = histories.caught_again @ log_later + histories.missed @ log_missed
    first, last = histories.first, histories.last
    p_at_first = jnp.where(histories.effort > 0, p_first, 1.0)[first]
    log_path = jnp.log(present[first]) + (last - first)[:, None] * jnp.log(phi)
    log_path += jnp.log(unseen[last])
    return log_path + (between + jnp.log(p_at_first))[:, None] - jnp.log(ever), jnp.log(ever)


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
def derivatives(theta: Any, phi: Any, histories: Histories) -> Any:  # noqa: ARG001
    """Negative log joint density, gradient and Hessian in θ."""
    value, gradient = jax.value_and_grad(_negative_log_joint)(theta, histories)
    return value, gradient, jax.hessian(_negative_log_joint)(theta, histories)


@jax.jit
def log_caught(thetas: Any, histories: Histories) -> Any:
    """Log chance of being caught at all, by class, for each draw of θ: (draw, 2)."""
    return jax.vmap(lambda theta: class_log_density(theta, histories)[1])(thetas)
