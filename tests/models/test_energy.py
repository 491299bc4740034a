"""Birds fed by flowers and feeders: limits, ranges, and what is refused."""

import numpy as np
import pytest

from phenology.models.energy import (
    draw_birds_fed,
    draw_feeder_energy,
    feeder_solution,
    flower_energy_kj_per_ha,
    share_of_need,
)
from phenology.models.refusal import Refused


def test_energy_and_birds_scale_with_what_is_on_offer():
    one = draw_birds_fed(np.full(500, 1000.0), 3.5, 0.0, seed=3)
    two = draw_birds_fed(np.full(500, 2000.0), 3.5, 0.0, seed=3)
    np.testing.assert_allclose(two, 2 * one)
    np.testing.assert_allclose(flower_energy_kj_per_ha([0.0, 5.0])[0], 0.0)


def test_birds_that_fatten_are_fewer_by_the_energy_they_store():
    energy = np.full(4000, 3200.0)
    holding = np.median(draw_birds_fed(energy, 3.5, 0.0, seed=1))
    fattening = np.median(draw_birds_fed(energy, 3.5, 0.2, seed=1))
    # 0.2 g at 33.6 kJ/g and some 88 % is 7.6 kJ on top of about 24.5
    assert 0.70 < fattening / holding < 0.82


def test_feeders_carry_the_range_of_the_sugar_as_poured():
    draws = draw_feeder_energy([2.0], [4.0], draws=4000, seed=1)[:, 0]
    low, middle, high = np.quantile(draws, [0.05, 0.5, 0.95])
    assert low == pytest.approx(2000 * feeder_solution(4.0, 0.80).kj_per_ml, rel=0.01)
    assert middle == pytest.approx(2000 * feeder_solution(4.0).kj_per_ml, rel=0.01)
    assert high == pytest.approx(2000 * feeder_solution(4.0, 0.90).kj_per_ml, rel=0.01)


def test_draws_keep_the_shape_of_the_days():
    birds = draw_birds_fed(np.ones((50, 2, 7)), 3.5, 0.0, seed=1)
    assert birds.shape == (50, 2, 7)
    assert np.ptp(birds, axis=(1, 2)).max() == 0


def test_weaker_solution_feeds_fewer():
    strengths = [feeder_solution(ratio).kj_per_ml for ratio in (1, 2, 3, 4, 6)]
    assert strengths == sorted(strengths, reverse=True)


@pytest.mark.parametrize(("counted", "area", "why"), [
    (None, 2.0, "without counts made without bait"),
    (24.0, None, "without the area"),
    (0.0, 2.0, "no bird was counted"),
])  # fmt: skip
def test_a_share_of_need_is_refused_without_counts_or_area(counted, area, why):
    with pytest.raises(Refused, match=why):
        share_of_need([3.0], counted, area)


def test_a_share_of_need_doubles_with_the_area():
    assert share_of_need([3.0], 12, 4.0) == 2 * share_of_need([3.0], 12, 2.0)


def test_birds_outside_the_measured_and_losers_are_refused():
    with pytest.raises(Refused, match="2 to 10 g"):
        draw_birds_fed(np.ones(10), 40.0, 0.0, seed=1)
    with pytest.raises(Refused, match="hold or gain"):
        draw_birds_fed(np.ones(10), 3.5, -0.1, seed=1)


def test_impossible_mixtures_are_errors():
    with pytest.raises(ValueError, match="above 0"):
        feeder_solution(0.0)
