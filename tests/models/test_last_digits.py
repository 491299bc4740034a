"""Last digits: an even hand, a rounding one, and too few readings."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phenology.models.last_digits import last_digits, share_rounded
from phenology.models.refusal import Refused


def test_an_even_hand_writes_each_digit_a_tenth_of_the_time() -> None:
    told = last_digits(np.round(np.random.default_rng(1).uniform(38, 52, 5000), 1))
    assert told["readings"].sum() == 5000
    assert ((told["low"] < 0.1) & (told["high"] > 0.1)).sum() >= 8  # 90 % intervals of ten digits


def test_a_hand_that_rounds_half_of_its_wings_is_told() -> None:
    rng = np.random.default_rng(2)
    wings = np.round(rng.uniform(38, 52, 2000), 1)
    halves = np.where(rng.random(2000) < 0.5, np.round(wings * 2) / 2, wings)
    share, low, high = share_rounded(halves)
    assert low < 0.6 < high
    assert share == pytest.approx(0.6, abs=0.05)  # half of them, and a fifth of the others


def test_wilson_s_interval_is_that_of_the_paper_s_formula() -> None:
    """Wilson (1927): (p + z²/2n ± z √(p(1−p)/n + z²/4n²)) / (1 + z²/n)."""
    told = last_digits(np.arange(200) / 10)
    p, n, z = 0.1, 200, 1.6448536269514722
    half = z * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    low, high = ((p + z**2 / (2 * n) + sign * half) / (1 + z**2 / n) for sign in (-1, 1))
    np.testing.assert_allclose(told["low"], low)
    np.testing.assert_allclose(told["high"], high)


@given(st.lists(st.integers(100, 999), min_size=50, max_size=80), st.sampled_from([1, 10, 100]))
def test_shares_sum_to_one_at_any_step(tenths: list[int], scale: int) -> None:
    told = last_digits(np.array(tenths) / scale)
    assert told["share"].sum() == pytest.approx(1)
    assert ((told["low"] <= told["share"]) & (told["share"] <= told["high"])).all()


def test_few_readings_are_refused() -> None:
    with pytest.raises(Refused, match="50 are needed"):
        last_digits([40.1] * 49)
