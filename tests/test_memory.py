"""What is given back to the system is no longer held, and can be had again."""

import jax
import jax.numpy as jnp

from phenology.memory import give_back_memory


def test_compiled_models_are_let_go_and_answer_again():
    double = jax.jit(lambda x: 2 * x)
    assert float(double(jnp.ones(()))) == 2
    assert double._cache_size() == 1
    give_back_memory()
    assert double._cache_size() == 0
    assert float(double(jnp.ones(()))) == 2
