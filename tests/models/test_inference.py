"""The sampler on a density whose moments are known."""

import jax.numpy as jnp
import numpy as np
import pytest

from phenology.models.inference import double_precision, sample, sampling_diagnostics
from phenology.models.refusal import Refused


def _normal(position, data):
    return -0.5 * (((position - data["mean"]) / data["sd"]) ** 2).sum()


def test_moments_of_a_normal_are_recovered() -> None:
    data = {"mean": jnp.array([3.0, -1.0]), "sd": jnp.array([0.5, 4.0])}
    with double_precision():
        found = sample(_normal, [jnp.zeros(2)] * 2, data, seed=1, warmup=300, draws=800)
    draws = found.position.reshape(-1, 2)
    np.testing.assert_allclose(draws.mean(0), [3.0, -1.0], atol=0.4)
    np.testing.assert_allclose(draws.std(0), [0.5, 4.0], rtol=0.12)
    assert sampling_diagnostics(found.position, found.diverging)["passed"].all()


def test_the_same_seed_gives_the_same_draws() -> None:
    data = {"mean": jnp.zeros(2), "sd": jnp.ones(2)}
    with double_precision():
        one, two = (
            sample(_normal, [jnp.zeros(2)], data, seed=4, warmup=50, draws=50) for _ in range(2)
        )
    np.testing.assert_array_equal(one.position, two.position)


def test_chains_that_disagree_fail() -> None:
    draws = np.random.default_rng(1).normal(size=(2, 400, 1))
    draws[1] += 3
    table = sampling_diagnostics(draws, np.zeros((2, 400), bool))
    assert not table.set_index("statistic").loc["largest R-hat", "passed"]


def test_an_impossible_start_is_refused_in_words() -> None:
    data = {"mean": jnp.array([jnp.nan]), "sd": jnp.ones(1)}
    with double_precision(), pytest.raises(Refused, match="starting point"):
        sample(_normal, [jnp.zeros(1)], data, seed=1, warmup=5, draws=5)
