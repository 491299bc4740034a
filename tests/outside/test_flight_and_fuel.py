"""Range laws, tissue energy, fuelling and metabolic rate against published numbers.

The constants come from phenology.reference, where each has its source; what is expected is named
beside each check.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phenology.models.potential_range import (
    FlightConstants,
    constant_power_hours,
    deposit_energy_kj_per_g,
    fastest_gain_share_per_day_lindstrom03,
    field_metabolic_rate_kj_per_day,
    flight_hours,
    fuel_load,
    fuel_load_from_share,
    one_percent_hours,
    potential_range_km,
    range_bracket,
    share_ready,
    usable_fuel_load,
)
from phenology.models.refusal import Refused
from phenology.reference import TRUST, energy_values, fat_scales, kind_of_bird

ENERGY = energy_values()
MILE_KM = 1.609344


def test_fuel_load_of_a_bird_of_lean_mass_2_5() -> None:
    """Alerstam & Lindström 1990 (from memory): 4.5 g over 2.5 g lean is f .80, .4444 of mass."""
    assert fuel_load(4.5, 2.5) == pytest.approx(0.80)
    assert fuel_load_from_share(0.4444444) == pytest.approx(0.80, abs=1e-6)


def test_fuel_of_ruby_throated_before_migration() -> None:
    """Norris, Connell & Johnston (abstract read): 41-46 % of wet mass is fat."""
    np.testing.assert_allclose(fuel_load_from_share([0.41, 0.46]), [0.695, 0.852], atol=5e-4)


def test_energy_of_deposited_tissue() -> None:
    """Klaassen et al. 1997 (read): 33.6 kJ/g measured; its rounded shares give 33.46."""
    computed = deposit_energy_kj_per_g(
        ENERGY["fat_share_of_deposit"].value,
        ENERGY["fat_energy"].value,
        ENERGY["wet_protein_energy"].value,
    )
    assert computed == pytest.approx(33.46, abs=0.005)
    assert computed == pytest.approx(ENERGY["tissue_energy"].value, abs=0.2)


def test_hovering_arithmetic() -> None:
    """Lasiewski 1962 (quoted): 2 g × 9 kcal/g ÷ 0.69 kcal/h = 26.09 h; at 25 mph 652 mi."""
    hours = constant_power_hours(
        2.0, ENERGY["fat_energy_lasiewski"].value, ENERGY["hummingbird_flight_power"].value
    )
    assert hours == pytest.approx(26.09, abs=0.01)
    assert hours * 25 == pytest.approx(652, abs=0.5)
    assert hours * 25 * MILE_KM == pytest.approx(1050, abs=1)
    power_w = 0.69 * 4184 / 3600
    assert ENERGY["hummingbird_flight_power"].value == pytest.approx(power_w, abs=1e-4)


def test_rufous_flight() -> None:
    """Calder & Jones 1989 (quoted): 1202 km in 28 h at 43 km/h, within their rounding."""
    assert 28 * ENERGY["hummingbird_air_speed"].value == pytest.approx(1202, rel=0.005)


def test_which_law_for_whom() -> None:
    """At f .8 the songbirds' law gives 58.8 h, constant power 26.1 h for 2 g (computed)."""
    constants = FlightConstants(
        air_speed_kmh=ENERGY["hummingbird_air_speed"].value,
        tissue_energy_kj_per_g=ENERGY["fat_energy_lasiewski"].value,
        flight_power_w=ENERGY["hummingbird_flight_power"].value,
        flight_power_mass_g=ENERGY["hummingbird_flight_power_mass"].value,
        reserve=0.0,
    )
    hummingbird = flight_hours("hummingbird", 2.5, 0.8, constants)
    songbird = flight_hours("songbird", 2.5, 0.8, constants)
    assert hummingbird == pytest.approx(26.1, abs=0.05)
    assert songbird == pytest.approx(58.8, abs=0.05)
    assert songbird / hummingbird == pytest.approx(2.25, abs=0.01)
    with pytest.raises(Refused, match="no range law was calibrated"):
        flight_hours(kind_of_bird("Buteo jamaicensis"), 1100.0, 0.2, constants)


@pytest.mark.parametrize(("fuel", "km"), [(0.24, 1006.721), (0.5, 1897.577), (1.0, 3243.929)])
def test_one_percent_an_hour(fuel: float, km: float) -> None:
    """100 U ln(1 + f), U 46.8 km/h (form from memory; Delingat et al. 2008)."""
    constants = FlightConstants(ENERGY["songbird_air_speed"].value, reserve=0.0)
    assert potential_range_km("songbird", 25.0, fuel, constants) == pytest.approx(km, abs=1e-3)


def test_general_range_law() -> None:
    """Weber & Houston 1997 (exponent from memory): 1 − (1 + f)^−½ at f = .1 .24 .5 1."""
    bracket = 0.5 * range_bracket([0.1, 0.24, 0.5, 1.0], 0.5)
    np.testing.assert_allclose(bracket, [0.046537, 0.101973, 0.183503, 0.292893], atol=5e-7)


@given(st.floats(0.0, 2.0))
def test_the_general_law_tends_to_the_logarithm(fuel: float) -> None:
    assert range_bracket(fuel, 1e-7) == pytest.approx(np.log1p(fuel), abs=1e-6)
    assert range_bracket(fuel, 0.0) == pytest.approx(one_percent_hours(fuel) / 100)


@given(st.floats(0.0, 1.5), st.floats(0.02, 0.10))
def test_a_reserve_shortens_and_never_lengthens(fuel: float, reserve: float) -> None:
    usable = usable_fuel_load(fuel, reserve)
    assert 0 <= usable <= fuel
    assert (usable == 0) == (fuel <= reserve or np.isclose(fuel, reserve))


def test_wind_helps_hinders_and_stops() -> None:
    constants = FlightConstants(40.0, reserve=0.05)
    still, tail, head, storm = potential_range_km(
        "songbird", 12.0, 0.4, constants, tailwind_kmh=[0.0, 20.0, -20.0, -60.0]
    )
    assert tail == pytest.approx(1.5 * still)
    assert head == pytest.approx(0.5 * still)
    assert storm == 0


def test_share_ready_by_draw() -> None:
    ranges = np.array([[100.0, 400.0], [400.0, 500.0]])
    assert share_ready(ranges, 350.0).tolist() == [0.5, 1.0]


def test_fastest_gain_of_a_bird_of_3_4_g() -> None:
    """Lindström 2003 (quoted): 8.5 % a day for populations, 15.0 % for single birds."""
    assert fastest_gain_share_per_day_lindstrom03(3.4) == pytest.approx(0.085, abs=5e-4)
    single = fastest_gain_share_per_day_lindstrom03(3.4, individual=True)
    assert single == pytest.approx(0.150, abs=5e-4)


def test_field_metabolic_rate_of_annas() -> None:
    """Powers & Nagy 1988 (read): about 32 kJ a day at 4.48 g; the line lies within 4 %."""
    measured = [value for name, value in ENERGY.items() if name.startswith("field_metabolic")]
    masses = [value.mass_g for value in measured]
    rates = [value.value for value in measured]
    assert field_metabolic_rate_kj_per_day(4.48, masses, rates) == pytest.approx(32, rel=0.04)


def test_every_reference_value_names_its_source() -> None:
    for value in ENERGY.values():
        assert value.source
        assert value.trust in TRUST
        assert value.low is None or value.low <= value.value <= value.high
    for scale in fat_scales().values():
        assert scale.source
        assert len(set(scale.levels)) == len(scale.levels)


def test_kinds_of_birds() -> None:
    assert kind_of_bird("Archilochus alexandri") == "hummingbird"
    assert kind_of_bird("Cardellina pusilla") == "songbird"
    assert kind_of_bird("Accipiter striatus") is None
