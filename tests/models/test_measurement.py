"""Rounding steps, wing error from repeats, true wings."""

import numpy as np
import pandas as pd
import pytest

from phenology.models.measurement import (
    ASSUMED_WING_ERROR,
    WingDistribution,
    observer_differences,
    rounding_step_g,
    wing_error_share,
)


@pytest.mark.parametrize("step", [10.0, 5.0, 1.0, 0.5, 0.1, 0.05, 0.01])
def test_the_rounding_step_is_learned_from_the_digits(step: float) -> None:
    mass = np.random.default_rng(1).normal(40 * step, 8 * step, 200)
    assert rounding_step_g(np.round(mass / step) * step) == step


def test_wing_error_is_learned_from_repeats_in_spite_of_slips() -> None:
    rng = np.random.default_rng(2)
    true = rng.normal(42, 1, 300)
    wing = np.concatenate([true, true]) * (1 + 0.015 * rng.standard_normal(600))
    wing[:6] += 10
    band = np.tile([f"TEST-{i:05d}" for i in range(300)], 2)
    share, repeats = wing_error_share(band, wing)
    assert repeats == 300
    assert share == pytest.approx(0.015, rel=0.15)


def test_without_repeats_the_wing_error_is_assumed() -> None:
    assert wing_error_share([None, None], [40.0, 41.0]) == (ASSUMED_WING_ERROR, 0)


def test_a_slipped_wing_counts_as_missing() -> None:
    rng = np.random.default_rng(3)
    wing = pd.Series(np.append(rng.normal(385, 15, 100), [37.2, np.nan]))
    name = pd.Series(["RT"] * 102)
    wings = WingDistribution.learn(wing, name, name, 0.01)
    moments = wings.true_log_wing(wing.to_numpy(), name.to_numpy(), 0.01)
    assert moments.mean[100] == pytest.approx(moments.mean[101], abs=0.01)
    assert moments.variance[100] == pytest.approx(moments.variance[101], rel=0.05)
    assert moments.variance[0] < 0.3 * moments.variance[101]


def test_an_observer_apart_is_found_and_alike_ones_are_not() -> None:
    rng = np.random.default_rng(4)
    observer = np.repeat(["AA", "BB", "CC", "DD"], [200, 200, 200, 4])
    residual = rng.normal(0, 0.02, 604) + 0.015 * (observer == "CC")
    residual[0] = 5.0
    apart = observer_differences(residual, observer).set_index("observer")
    assert apart.loc["CC", "low"] > 0
    assert apart["estimate"].idxmax() == "CC"
    few = apart.loc["DD"]
    assert few["high"] - few["low"] > 1.5 * (apart.loc["AA", "high"] - apart.loc["AA", "low"])
    alike = observer_differences(rng.normal(0, 0.02, 604), observer)
    assert alike["estimate"].abs().max() < 0.008
