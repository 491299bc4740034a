"""Traits of a mixed species' birds: what they add to the counts, and what they may not add."""

from dataclasses import replace

import jax
import jax.numpy as jnp
import numpy as np
import pytest
import xarray as xr
from season_worlds import TRAIT_DISTANCE, mixed_study

from phenology.models import season
from phenology.models.inference import double_precision
from phenology.models.season import SeasonModel
from phenology.models.season_answers import DATE_NAMES
from phenology.models.season_counts import BirdTraits
from phenology.models.season_density import Coefficients, joint
from phenology.models.season_design import bird_weight, design_arrays, first_guess
from phenology.models.season_predictors import HYPER
from phenology.models.season_traits import learn_frequencies

PLACE = {"role": "local", "group": "group 0", "site": "site 0"}


@pytest.fixture(scope="module")
def study():
    return mixed_study(3)


def _noted(traits: BirdTraits) -> BirdTraits:
    """The trait in six classes; beforehand larger ones are held to speak for locals."""
    classes = np.digitize(traits.log_ratio / TRAIT_DISTANCE, [-2, -1, 0, 1, 2])
    return traits._replace(
        log_ratio=classes / 2.5 - 1,
        bird=np.arange(len(traits.day)),
        levels=classes[:, None],
    )


def _departures(counts):
    return SeasonModel(method="laplace").fit(counts).draws_["departure_day"].sel(PLACE)


def test_traits_tell_the_two_curves_of_a_mixed_species_apart() -> None:
    """What single birds say of their role narrows where either curve ends, over three studies."""
    narrowed = []
    for seed in range(3, 6):
        counts, truth = mixed_study(seed)
        told, mute = (_departures(given) for given in (counts, replace(counts, traits=None)))
        true = truth["departure_day"].sel(PLACE)
        z = (told.mean("draw").values - true.values) / told.std("draw").values
        assert np.abs(z).max() < 4
        narrowed.append(float(told.std("draw").mean() / mute.std("draw").mean()))
    assert np.mean(narrowed) < 0.85


def test_dates_by_frequencies_learned_hold_the_truth() -> None:
    """Of both roles over five studies, in none of which a frequency is known beforehand."""
    inside = []
    for seed in range(3, 8):
        counts, truth = mixed_study(seed)
        told = SeasonModel(method="laplace").fit(replace(counts, traits=_noted(counts.traits)))
        for name in DATE_NAMES:
            low, high = told.draws_[name].quantile([0.05, 0.95], "draw")
            inside.append((low <= truth[name]) & (truth[name] <= high))
    assert float(xr.concat(inside, "date").mean()) >= 0.8


def test_a_trait_that_does_not_differ_between_the_roles_says_nothing(study) -> None:
    counts, _ = study
    rng = np.random.default_rng(1)
    birds = counts.traits
    chance = rng.integers(0, 2, (len(birds.day), 1))
    silent = birds._replace(
        log_ratio=np.zeros(len(birds.day)), bird=np.arange(len(birds.day)), levels=chance
    )
    alone, told = (_departures(replace(counts, traits=given)) for given in (None, silent))
    apart = (told.mean("draw") - alone.mean("draw")) / alone.std("draw")
    assert float(np.abs(apart).max()) < 1
    assert 0.75 < float((told.std("draw") / alone.std("draw")).mean()) < 1.25


def test_a_bird_caught_often_speaks_as_one(study) -> None:
    counts, _ = study
    birds = _noted(counts.traits)
    often = BirdTraits(*(None if part is None else np.repeat(part, 3, axis=0) for part in birds))
    heights = []
    with double_precision():
        for traits in (birds, often):
            sizes, laid = design_arrays(replace(counts, traits=traits))
            own = jnp.zeros((sizes.sites, sizes.seasons, sizes.local))
            at = Coefficients(jnp.asarray(first_guess(counts, sizes, laid.prior_mean)), own)
            hyper = jnp.zeros(len(HYPER))
            heights.append(float(joint(at, hyper, jax.tree.map(jnp.asarray, laid), sizes)))
    assert heights[0] == pytest.approx(heights[1], rel=1e-12)


def test_doubt_of_the_frequencies_widens_dates_and_moves_none(study, monkeypatch) -> None:
    counts, _ = study
    counts = replace(counts, traits=_noted(counts.traits))
    told = _departures(counts)
    monkeypatch.setattr(season, "move_by_doubt", lambda drawn, *_: drawn)
    sure = _departures(counts)
    assert 1.02 < float((told.std("draw") / sure.std("draw")).mean()) < 2
    assert float((np.abs(told.mean("draw") - sure.mean("draw")) / sure.std("draw")).max()) < 0.5


def test_frequencies_are_learned_of_birds_not_of_captures(study) -> None:
    """Three captures a bird leave what is held beforehand its weight."""
    counts, _ = study
    birds = _noted(counts.traits)
    often = BirdTraits(*(None if part is None else np.repeat(part, 3, axis=0) for part in birds))
    chance = np.random.default_rng(2).random(len(birds.day))
    once, thrice = (
        learn_frequencies(traits, local, np.full(len(local), bird_weight(traits)))
        for traits, local in ((birds, chance), (often, np.repeat(chance, 3)))
    )
    np.testing.assert_allclose(thrice.of_locals[::3], once.of_locals, rtol=1e-9)
    np.testing.assert_allclose(thrice.of_passage[::3], once.of_passage, rtol=1e-9)
    assert thrice.log_prior == pytest.approx(once.log_prior)
    assert once.log_prior < 0


def test_locals_may_change_through_the_season_as_passage_does_not() -> None:
    """Locals breed until day 200 and are fat from then on; passage birds are fat throughout."""
    day = np.repeat(np.arange(150.0, 250.0, 2), 8)
    local = np.tile(np.repeat([1.0, 0.0], 4), 50)
    fat = np.where((local == 1) & (day < 200), 0, 1)
    zeros = np.zeros(len(day), int)
    traits = BirdTraits(zeros, zeros, zeros, day, zeros, levels=fat[:, None])
    learned = learn_frequencies(traits, local, np.ones(len(day)))
    ratio = learned.of_locals - learned.of_passage
    early, late = day < 180, day > 220
    assert (ratio[early & (fat == 0)] > 1.5).all()
    assert (ratio[early & (fat == 1)] < -1.5).all()
    assert (np.abs(ratio[late]) < 0.3).all()
