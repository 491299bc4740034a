"""Energy against published strengths, needs and heats."""

import pytest

from phenology.models.energy import (
    SUCROSE_KJ_PER_G,
    FeederSolution,
    feeder_solution,
    field_metabolic_rate,
    solution_needed_ml,
)


def test_sucrose_burns_as_tabulated():
    # NIST WebBook: 5643.4 kJ/mol; molar mass 342.2965 g/mol
    assert pytest.approx(5643.4 / 342.2965, rel=1e-4) == SUCROSE_KJ_PER_G


def test_four_to_one_by_volume_is_as_strong_as_published():
    # Dawkins, North American Bird Bander: 17.5 % by mass, 3.06 kJ/mL; never 20 %
    solution = feeder_solution(4.0)
    assert solution.sugar_share == pytest.approx(0.175, rel=0.015)
    assert solution.kj_per_ml == pytest.approx(3.06, rel=0.015)


@pytest.mark.parametrize(("water", "molar"), [(4, 0.543), (3, 0.695), (2, 0.965), (1, 1.58)])
def test_molar_strengths_agree_with_the_published_table(water, molar):
    # Dawkins, North American Bird Bander; 342.2965 g/mol. 1:1 is where loose sugar matters most.
    strength = feeder_solution(water).sugar_g_per_ml * 1000 / 342.2965
    assert strength == pytest.approx(molar, rel=0.035)


@pytest.mark.parametrize(("density", "share"), [(0.80, 0.167), (0.90, 0.184)])
def test_loose_sugar_moves_the_strength_as_stated(density, share):
    # Dawkins, North American Bird Bander: .80 g/mL gives 16.7 %, .90 gives 18.4 %
    assert feeder_solution(4.0, density).sugar_share == pytest.approx(share, abs=0.0006)


def test_one_hummingbird_needs_about_ten_millilitres():
    # 32 kJ/day (Powers & Nagy 1988, Anna's, 4.48 g) over 3.06 kJ/mL (Dawkins) = 10.46 mL
    published = FeederSolution(0.175, 3.06 / SUCROSE_KJ_PER_G, 3.06)
    assert solution_needed_ml(32.0, published) == pytest.approx(32.0 / 3.06)
    assert solution_needed_ml(32.0, feeder_solution(4.0)) == pytest.approx(10.5, rel=0.02)


@pytest.mark.parametrize(("mass_g", "kj"), [(4.48, 32.0), (4.90, 37.9), (7.23, 57.9)])
def test_the_daily_need_passes_near_the_measured_birds(mass_g, kj):
    # Powers & Nagy 1988 (Anna's); Weathers & Stiles 1989 (two tropical species)
    assert float(field_metabolic_rate(mass_g)) == pytest.approx(kj, rel=0.08)
