"""The one place where posteriors are sampled: method, seeds, chains, diagnostics."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any, NamedTuple, cast

import jax
import numpy as np
import numpy.typing as npt
import pandas as pd
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from phenology.models.checks import at_least, at_most, table_of_checks
from phenology.models.refusal import Refused

HIGHEST_R_HAT = 1.1  # of split chains of a few hundred draws
FEWEST_EFFECTIVE_DRAWS = 80.0
MOST_DIVERGING = 0.02  # share of draws
_TREE_DEPTH = 8

LogDensity = Callable[[Any, Any], jax.Array]


class Sample(NamedTuple):
    """Draws of a position (leaves: chain, draw, ...) and how the sampler fared (chain, draw)."""

    position: Any
    diverging: npt.NDArray[np.bool_]
    steps: npt.NDArray[np.int_]


@contextmanager
def double_precision() -> Iterator[None]:
    """64-bit numbers and one thread of linear algebra, around a model's own calls.

    Threads of the linear algebra library wait for each other by spinning; on a machine in use,
    small factorisations then take thirty times as long.
    """
    with jax.enable_x64(True), threadpool_limits(1, user_api="blas"):
        yield


@partial(jax.jit, static_argnames=("log_density", "warmup", "draws"))
def _run_chain(
    start: Any, data: Any, key: jax.Array, *, log_density: LogDensity, warmup: int, draws: int
) -> tuple[Any, jax.Array, jax.Array]:
    from numpyro.infer.hmc import hmc

    def potential(data: Any) -> Callable[[Any], jax.Array]:
        return lambda position: -log_density(position, data)

    begin, move = hmc(potential_fn_gen=potential, algo="NUTS")
    state = begin(
        start,
        num_warmup=warmup,
        step_size=0.2,
        target_accept_prob=0.85,
        max_tree_depth=_TREE_DEPTH,
        model_args=(data,),
        rng_key=key,
    )

    def warm(state: Any, _: None) -> tuple[Any, None]:
        return move(state, model_args=(data,), model_kwargs={}), None

    def draw(state: Any, _: None) -> tuple[Any, Any]:
        state = move(state, model_args=(data,), model_kwargs={})
        return state, (state.z, state.diverging, state.num_steps)

    state, _ = jax.lax.scan(warm, state, None, length=warmup)
    _, found = jax.lax.scan(draw, state, None, length=draws)
    return cast(tuple[Any, jax.Array, jax.Array], found)


def sample(
    log_density: LogDensity,
    starts: list[Any],
    data: Any,
    *,
    seed: int,
    warmup: int,
    draws: int,
) -> Sample:
    """Sample a log density by the no-U-turn sampler, one chain after the other.

    Parameters
    ----------
    log_density : callable
        Of a position (any tree of arrays) and `data`; jittable and hashable. The same callable
        with data of the same shapes compiles once a process.
    starts : list
        A position a chain.
    data : tree of arrays
    seed : int
    warmup, draws : int
        A chain.

    Raises
    ------
    Refused
        If a start has no finite density.
    """
    keys = jax.random.split(jax.random.key(seed), len(starts))
    for start in starts:
        if not np.isfinite(float(log_density(start, data))):
            raise Refused("the sampler found no starting point at which the data are possible")

    chains = [
        _run_chain(start, data, key, log_density=log_density, warmup=warmup, draws=draws)
        for start, key in zip(starts, keys, strict=True)
    ]
    position, diverging, steps = jax.tree.map(lambda *each: np.stack(each), *chains)
    return Sample(position, diverging, steps)


def sampling_diagnostics(
    values: npt.NDArray[Any], diverging: npt.NDArray[np.bool_]
) -> pd.DataFrame:
    """Whether the chains agree and moved freely.

    Parameters
    ----------
    values : array, shape (chain, draw, value)
        Whatever will be reported.
    diverging : array of bool, shape (chain, draw)

    Returns
    -------
    DataFrame
        statistic, value, threshold, passed, meaning.

    Examples
    --------
    >>> draws = np.random.default_rng(1).normal(size=(2, 400, 3))
    >>> bool(sampling_diagnostics(draws, np.zeros((2, 400), bool))["passed"].all())
    True
    """
    from numpyro.diagnostics import effective_sample_size, split_gelman_rubin

    moving = values[..., np.ptp(values, axis=(0, 1)) > 0]
    worst = float(np.max(split_gelman_rubin(moving)))
    fewest = float(np.min(effective_sample_size(moving)))
    share = float(diverging.mean())
    return table_of_checks(
        at_most(HIGHEST_R_HAT, "largest R-hat", worst, "the chains agree"),
        at_least(
            FEWEST_EFFECTIVE_DRAWS,
            "fewest effective draws",
            fewest,
            "there are draws enough for an interval",
        ),
        at_most(
            MOST_DIVERGING,
            "diverging draws",
            share,
            "the sampler reached every corner of the posterior",
        ),
    )
