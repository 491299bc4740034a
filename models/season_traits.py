"""Season model: how often local and passage birds show each trait, learned with the season.

    p(level | local, group, day)    smooth over days: locals breed, moult and fatten in turn
    p(level | passage, group)       the same through the pulse

They are learned by expectation–maximisation (Dempster, Laird & Rubin 1977,
doi:10.1111/j.2517-6161.1977.tb01600.x): birds are divided between the roles by the season's
curves on their day and by their traits, the frequencies follow from the shares, the curves from
the frequencies, a fixed number of times over. Beforehand each role is held to show a trait as all
birds of the group do, with the weight of ten birds; a bird caught often counts about once.

The doubt of the frequencies is carried into the season's draws by multiple imputation (Rubin
1987, doi:10.1002/9780470316696): birds take a role by their chances at one draw of the season,
weights of a Bayesian bootstrap (Rubin 1981, doi:10.1214/aos/1176345338) stand for which birds
were caught, and each set of frequencies moves the mode.

Traits are taken as independent within role, group and day. Not to be believed where passage birds
change through their pulse as much as locals do: what tells the roles apart would then be the date.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt
from scipy.special import expit

from phenology.models.season_counts import BirdTraits, SeasonCounts
from phenology.models.season_curves import log_plateau, log_pulse
from phenology.models.season_density import Coefficients, cell_predictors
from phenology.models.season_design import Design, bird_arrays, bird_weight
from phenology.models.season_laplace import LaplaceFit, centre, settle
from phenology.models.season_predictors import Sizes

Array = npt.NDArray[Any]

FEWEST_BIRDS = 50  # with traits, from which their frequencies are learned
# Held beforehand, as log ratios of local to passage: a bird that breeds is a local but for the
# misread, about one in twenty; fat over the whole of its scale is what the role model holds of
# fuel, on either side (`phenology.models.role_likelihood.DIRECTION`).
_BREEDS = 3.0
_LEANEST, _FATTEST = 1.0, -1.0
_ROUNDS = 6
_NEAR_DAYS = 12.0  # spread of days that tell of each other's locals
_HELD = 10.0  # birds of a role
_IMPUTED = 16  # sets of frequencies


def log_ratio_beforehand(breeds: Array, fat: Array, fat_classes: int) -> Array:
    """What is held of each bird's traits before any are learned.

    Parameters
    ----------
    breeds, fat : array of int, shape (row,)
        1 for a sign of breeding; class of fat from 0; -1 where not noted.
    fat_classes : int

    Returns
    -------
    array, shape (row,)
        Log of how much likelier a local shows them than a passage bird.

    Examples
    --------
    >>> log_ratio_beforehand(np.array([1, -1, 0]), np.array([0, -1, 4]), 5).tolist()
    [4.0, 0.0, -1.0]
    """
    of_fat = np.linspace(_LEANEST, _FATTEST, fat_classes)[fat]
    ratio: Array = _BREEDS * (breeds == 1) + np.where(fat >= 0, of_fat, 0.0)
    return ratio


def learn_traits(
    start: Coefficients, counts: SeasonCounts, traits: BirdTraits, laid: Design, sizes: Sizes
) -> tuple[Coefficients, BirdTraits, Design]:
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
    BirdTraits
        With the log ratios by these frequencies.
    Design
        The same laid out.

    Raises
    ------
    Refused
        If no best fit is found.
    """
    ends = []
    for held in (np.zeros(len(traits.day)), traits.log_ratio):
        told = traits._replace(log_ratio=held)
        laid = _with_birds(told, counts, laid, sizes)
        hyper, settled = centre(start, jax.tree.map(jnp.asarray, laid), sizes)
        ends.append(_learn(settled.coefficients, jnp.asarray(hyper), counts, told, laid, sizes))
    _, at, traits, laid = max(ends, key=lambda end: end[0] if np.isfinite(end[0]) else -np.inf)
    return at, traits, laid


def _learn(
    at: Coefficients,
    hyper: Any,
    counts: SeasonCounts,
    traits: BirdTraits,
    laid: Design,
    sizes: Sizes,
) -> tuple[float, Coefficients, BirdTraits, Design]:
    """Expectation–maximisation, the hyperparameters held: where it ends, and how likely it is."""
    height, weight = -np.inf, np.full(len(traits.day), bird_weight(traits))
    for _ in range(_ROUNDS):
        ahead = _locals_ahead(at, counts, traits, laid, sizes)
        learned = learn_frequencies(traits, expit(ahead + traits.log_ratio), weight)
        traits = traits._replace(log_ratio=learned.of_locals - learned.of_passage)
        laid = _with_birds(traits, counts, laid, sizes)
        settled = settle(at, hyper, jax.tree.map(jnp.asarray, laid), sizes)
        at = settled.coefficients
        height = float(settled.height + weight @ learned.of_passage) + learned.log_prior
    return height, at, traits, laid


def move_by_doubt(
    drawn: Coefficients,
    fit: LaplaceFit,
    counts: SeasonCounts,
    traits: BirdTraits,
    laid: Design,
    sizes: Sizes,
    seed: int,
) -> Coefficients:
    """Move draws of the season as its mode moves with frequencies that may as well be true.

    Parameters
    ----------
    drawn : Coefficients
        Leading axis draw.
    fit : LaplaceFit
        With the learned frequencies.
    counts : SeasonCounts
    traits : BirdTraits
    laid : Design
        From `learn_traits`.
    sizes : Sizes
    seed : int

    Returns
    -------
    Coefficients
        As many draws.
    """
    rng = np.random.default_rng([seed, 3])
    bird = np.arange(len(traits.day)) if traits.bird is None else traits.bird
    number = bird.max() + 1
    moves = []
    for draw in np.linspace(0, len(drawn.shared) - 1, _IMPUTED).round().astype(int):
        at = Coefficients(drawn.shared[draw], drawn.local[draw])
        chance = expit(_locals_ahead(at, counts, traits, laid, sizes) + traits.log_ratio)
        local = rng.random(number)[bird] < chance
        weight = bird_weight(traits) * rng.exponential(size=number)[bird]
        learned = learn_frequencies(traits, local.astype(float), weight)
        told = traits._replace(log_ratio=learned.of_locals - learned.of_passage)
        design = jax.tree.map(jnp.asarray, _with_birds(told, counts, laid, sizes))
        settled = settle(fit.coefficients, jnp.asarray(fit.hyper), design, sizes)
        moves.append(jax.tree.map(np.subtract, settled.coefficients, fit.coefficients))
    turn = rng.integers(_IMPUTED, size=len(drawn.shared))
    shared, local = (np.stack(part)[turn] for part in zip(*moves, strict=True))
    return Coefficients(drawn.shared + shared, drawn.local + local)


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


class Frequencies(NamedTuple):
    """Log of how often locals, and passage birds, show the traits of each row; their prior."""

    of_locals: Array
    of_passage: Array
    log_prior: float


def learn_frequencies(traits: BirdTraits, local: Array, weight: Array) -> Frequencies:
    """Frequencies of traits, the birds' roles being known to a chance.

    Parameters
    ----------
    traits : BirdTraits
        With levels.
    local, weight : array, shape (row,)
        Chance with which each bird is taken for a local; how much its row counts [birds].

    Returns
    -------
    Frequencies

    Examples
    --------
    >>> zeros = np.zeros(80, int)
    >>> noted = np.repeat([0, 1, 0, 1], [30, 10, 10, 30])[:, None]  # of locals 1 in 4, else 3
    >>> traits = BirdTraits(zeros, zeros, zeros, np.full(80, 200.0), zeros, levels=noted)
    >>> learned = learn_frequencies(traits, np.repeat([1.0, 0.0], 40), np.ones(80))
    >>> np.exp(learned.of_locals - learned.of_passage).round(1)[[0, -1]].tolist()
    [2.3, 0.4]
    """
    assert traits.levels is not None
    logs, log_prior = np.zeros((2, len(traits.day))), 0.0
    for group in np.unique(traits.group):
        for levels in traits.levels.T:
            rows = np.flatnonzero((traits.group == group) & (levels >= 0))
            if rows.size:
                told, prior = _log_of_trait(
                    levels[rows], traits.day[rows], local[rows], weight[rows]
                )
                logs[:, rows] += told
                log_prior += prior
    of_locals, of_passage = logs
    return Frequencies(of_locals, of_passage, log_prior)


def _log_of_trait(level: Array, day: Array, local: Array, weight: Array) -> tuple[Array, float]:
    """Of locals and passage birds, shape (2, row), and the log prior of both, 0 at its top.

    Days near each other share one set of birds held beforehand.
    """
    days, at = np.unique(day, return_inverse=True)
    near = np.exp(-0.5 * ((days[:, None] - days) / _NEAR_DAYS) ** 2)
    levels = level.max() + 1

    def daily(share: Array) -> Array:
        shown = np.bincount(at * levels + level, weight * share, len(days) * levels)
        return shown.reshape(-1, levels)

    all_birds = daily(np.ones(len(day)))
    usual = _shares(all_birds.sum(0) + 0.5)
    usual_of_day = _shares(near @ all_birds + 2 * usual)
    of_locals = _shares(near @ daily(local) + _HELD * usual_of_day)
    of_passage = _shares(daily(1 - local).sum(0) + _HELD * usual)
    apart = (usual_of_day * np.log(of_locals / usual_of_day)).sum(-1)
    log_prior = apart @ (1 / near.sum(-1)) + usual @ np.log(of_passage / usual)
    return np.log([of_locals[at, level], of_passage[level]]), float(_HELD * log_prior)


def _shares(numbers: Array) -> Array:
    shares: Array = numbers / numbers.sum(-1, keepdims=True)
    return shares
