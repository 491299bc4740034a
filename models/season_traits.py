"""Season model: how often local and passage birds show each trait, learned with the season.

    p(level | local, group, day)    smooth over days: locals breed, moult and fatten in turn
    p(level | passage, group)       the same through the pulse

The frequencies are those at the mode of the likelihood that traits share with the counts, by
expectation–maximisation (Dempster, Laird & Rubin 1977, doi:10.1111/j.2517-6161.1977.tb01600.x):
birds are divided between the roles by the season's curves on their day and by their traits, the
frequencies follow from the shares, the curves from the frequencies. Beforehand each role is held
to show a trait as all birds of the group do, with the weight of ten birds.

Traits are taken as independent within role, group and day. The doubt of the frequencies is not
part of the season's intervals. Not to be believed where passage birds change through their pulse
as much as locals do: what tells the roles apart would then be the date.
"""

from __future__ import annotations

from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt
from scipy.special import expit

from phenology.models.season_counts import BirdTraits, SeasonCounts
from phenology.models.season_curves import log_plateau, log_pulse
from phenology.models.season_density import Coefficients, cell_predictors
from phenology.models.season_design import Design, bird_arrays, bird_weight
from phenology.models.season_laplace import LaplaceFit, fit_laplace, settle
from phenology.models.season_predictors import Sizes

Array = npt.NDArray[Any]

FEWEST_BIRDS = 50  # with traits, from which their frequencies are learned
_ROUNDS = 6
_NEAR_DAYS = 12.0  # spread of days that tell of each other's locals
_HELD = 10.0  # birds of a role


def learn_traits(
    start: Coefficients, counts: SeasonCounts, traits: BirdTraits, laid: Design, sizes: Sizes
) -> tuple[Coefficients, Design]:
    """Learn how often each role shows each trait.

    Which curve is whose may be misread from the counts, and what is held of traits beforehand may
    mislead. The search starts from either, and the likelier end is taken.

    Parameters
    ----------
    start : Coefficients
    counts : SeasonCounts
    traits : BirdTraits
        With levels.
    laid : Design
        Arrays of numpy.
    sizes : Sizes

    Returns
    -------
    Coefficients
        At their mode with the frequencies learned.
    Design
        With the birds' log ratios by these frequencies.

    Raises
    ------
    Refused
        If no best fit is found.
    """
    ends = []
    for held in (np.zeros(len(traits.day)), traits.log_ratio):
        told = traits._replace(log_ratio=held)
        laid = _with_birds(told, counts, laid, sizes)
        fit = fit_laplace(start, jax.tree.map(jnp.asarray, laid), sizes)
        ends.append(_learn(fit, counts, told, laid, sizes))
    _, at, laid = max(ends, key=lambda end: end[0])
    return at, laid


def _learn(
    fit: LaplaceFit, counts: SeasonCounts, traits: BirdTraits, laid: Design, sizes: Sizes
) -> tuple[float, Coefficients, Design]:
    """Expectation–maximisation, the hyperparameters held: log likelihood, coefficients, design."""
    at, height = fit.coefficients, -np.inf
    for _ in range(_ROUNDS):
        ahead = _locals_ahead(at, counts, traits, laid, sizes)
        of_locals, of_passage = log_frequencies(traits, expit(ahead + traits.log_ratio))
        traits = traits._replace(log_ratio=of_locals - of_passage)
        laid = _with_birds(traits, counts, laid, sizes)
        settled = settle(at, jnp.asarray(fit.hyper), jax.tree.map(jnp.asarray, laid), sizes)
        at = settled.coefficients
        height = float(settled.height) + bird_weight(traits) * of_passage.sum()
    return height, at, laid


def _with_birds(traits: BirdTraits, counts: SeasonCounts, laid: Design, sizes: Sizes) -> Design:
    middle = (counts.first_day + counts.last_day) / 2
    return laid._replace(**bird_arrays(traits, middle, sizes, laid.bird_day.shape[1]))


def _locals_ahead(
    at: Coefficients, counts: SeasonCounts, traits: BirdTraits, laid: Design, sizes: Sizes
) -> Array:
    """Log number of locals over that of passage birds where and when each bird was caught."""
    cell = (traits.group, traits.site, traits.season)
    own = np.asarray(cell_predictors(Coefficients(*map(np.asarray, at)), laid.drivers, sizes, np))
    own, day = own[cell], traits.day - (counts.first_day + counts.last_day) / 2
    local, passage = np.moveaxis(laid.present[traits.group, traits.site], -1, 0)
    ahead = log_plateau(day, own, np) - log_pulse(day, own, np)
    return np.where(local & passage, ahead, np.where(local, np.inf, -np.inf))


def log_frequencies(traits: BirdTraits, local: Array) -> tuple[Array, Array]:
    """Log of how often locals, and passage birds, show the traits of each row.

    Parameters
    ----------
    traits : BirdTraits
        With levels.
    local : array, shape (row,)
        Chance with which each bird is taken for a local.

    Returns
    -------
    of_locals, of_passage : array, shape (row,)

    Examples
    --------
    >>> zeros = np.zeros(80, int)
    >>> noted = np.repeat([0, 1, 0, 1], [30, 10, 10, 30])[:, None]  # of locals 1 in 4, else 3
    >>> traits = BirdTraits(zeros, zeros, zeros, np.full(80, 200.0), zeros, levels=noted)
    >>> of_locals, of_passage = log_frequencies(traits, np.repeat([1.0, 0.0], 40))
    >>> np.exp(of_locals - of_passage).round(1)[[0, -1]].tolist()
    [2.3, 0.4]
    """
    assert traits.levels is not None
    logs = np.zeros((2, len(traits.day)))
    for group in np.unique(traits.group):
        for levels in traits.levels.T:
            rows = np.flatnonzero((traits.group == group) & (levels >= 0))
            if rows.size:
                logs[:, rows] += _log_of_trait(levels[rows], traits.day[rows], local[rows])
    of_locals, of_passage = logs
    return of_locals, of_passage


def _log_of_trait(level: Array, day: Array, local: Array) -> Array:
    days, at = np.unique(day, return_inverse=True)
    near = np.exp(-0.5 * ((days[:, None] - days) / _NEAR_DAYS) ** 2)
    levels = level.max() + 1

    def daily(share: Array) -> Array:
        return np.bincount(at * levels + level, share, len(days) * levels).reshape(-1, levels)

    all_birds = daily(np.ones(len(day)))
    usual = _shares(all_birds.sum(0) + 0.5)
    usual_of_day = _shares(near @ all_birds + 2 * usual)
    of_locals = _shares(near @ daily(local) + _HELD * usual_of_day)
    of_passage = _shares(daily(1 - local).sum(0) + _HELD * usual)
    return np.log([of_locals[at, level], of_passage[level]])


def _shares(numbers: Array) -> Array:
    shares: Array = numbers / numbers.sum(-1, keepdims=True)
    return shares
