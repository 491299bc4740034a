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


FED = np.full((400, 6), 3.0)
COUNTED = np.array([8.0, 16.0, 10.0, 14.0, 9.0, 15.0])


@pytest.mark.parametrize(("counted", "area", "why"), [
    (None, 2.0, "without counts made without bait"),
    (COUNTED, None, "flowering_area_ha"),
    (COUNTED, 0.0, "flowering_area_ha"),
    (0 * COUNTED, 2.0, "no hummingbird was counted"),
    (COUNTED[:4], 2.0, "counts on 4 days"),
])  # fmt: skip
def test_a_share_of_need_is_refused_without_counts_or_area(counted, area, why):
    fed = FED if counted is None else FED[:, : len(counted)]
    with pytest.raises(Refused, match=why):
        share_of_need(fed, counted, area, seed=1)


def test_a_share_of_need_doubles_with_the_area():
    one, two = (share_of_need(FED, COUNTED, area, seed=1) for area in (2.0, 4.0))
    np.testing.assert_allclose(two, 2 * one)


def test_a_share_of_need_is_as_wide_as_the_days_counted_differ():
    share = share_of_need(FED, COUNTED, 4.0, seed=1)
    assert np.median(share) == pytest.approx(1.0, rel=0.03)  # 3 × 4 birds fed, 12 counted a day
    # Days of equal counts leave no doubt; else 12 birds with standard error s / √(n + 1) of the
    # bootstrap's weights (Rubin 1981: the Dirichlet's variance), s = 3.16 birds, n = 6.
    assert np.ptp(share_of_need(FED, np.full(6, 12.0), 4.0, seed=1)) == pytest.approx(0.0)
    assert np.std(share) == pytest.approx(3.16 / np.sqrt(7) / 12, rel=0.15)


def test_birds_outside_the_measured_and_losers_are_refused():
    with pytest.raises(Refused, match="2 to 10 g"):
        draw_birds_fed(np.ones(10), 40.0, 0.0, seed=1)
    with pytest.raises(Refused, match="hold or gain"):
        draw_birds_fed(np.ones(10), 3.5, -0.1, seed=1)


def test_impossible_mixtures_are_errors():
    with pytest.raises(ValueError, match="above 0"):
        feeder_solution(0.0)
