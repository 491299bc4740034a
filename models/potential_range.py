"""Potential flight range from fuel: still-air and non-stop, by laws made for a kind of bird.

Fuel load f is mass over lean mass, less one. A reserve stays on board, so that a bird lands at
lean mass times (1 + reserve).

    hummingbird   hours = usable fuel × energy / power,    power in proportion to departure mass
    songbird      hours = 100 ln(1 + f'),                  1 % of mass lost an hour
    general       Y = c [1 − (1 + f')^−ζ] / ζ,             ζ = 0 being the one above

with f' the fuel above the reserve. The laws are not interchangeable: at f = .8 the songbirds' law
sends a hummingbird 2.25 times too far.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.models.refusal import Refused

Array = npt.NDArray[np.float64]

KINDS = ("hummingbird", "songbird")
SHARE_LOST_AN_HOUR = 0.01  # of mass, songbirds in flapping flight; the law's own constant


@dataclass(frozen=True)
class FlightConstants:
    """What the range laws need beyond the bird; `phenology.reference` has sourced values.

    Attributes
    ----------
    air_speed_kmh : float
    tissue_energy_kj_per_g : float
    flight_power_w : float
        Of a hummingbird of `flight_power_mass_g`.
    flight_power_mass_g : float
    reserve : float
        Share of lean mass still on board on landing.
    """

    air_speed_kmh: float
    tissue_energy_kj_per_g: float = np.nan
    flight_power_w: float = np.nan
    flight_power_mass_g: float = np.nan
    reserve: float = 0.05


def fuel_load(mass_g: npt.ArrayLike, lean_mass_g: npt.ArrayLike) -> Array:
    """Fuel load f = (m − m₀) / m₀ (Alerstam & Lindström 1990, from memory).

    Examples
    --------
    >>> float(fuel_load(4.5, 2.5))
    0.8
    """
    return np.asarray(np.divide(mass_g, lean_mass_g, dtype=float) - 1)


def fuel_load_from_share(fuel_share: npt.ArrayLike) -> Array:
    """Fuel load from fuel as a share of whole mass: p / (1 − p).

    Examples
    --------
    >>> fuel_load_from_share([0.41, 0.46]).round(3).tolist()
    [0.695, 0.852]
    """
    share = np.asarray(fuel_share, dtype=float)
    return np.asarray(share / (1 - share))


def usable_fuel_load(fuel: npt.ArrayLike, reserve: npt.ArrayLike) -> Array:
    """Fuel above the reserve, as a share of landing mass: (1 + f) / (1 + reserve) − 1, or 0.

    Examples
    --------
    >>> usable_fuel_load([0.0, 0.05, 0.26], 0.05).round(6).tolist()
    [0.0, 0.0, 0.2]
    """
    ratio = (1 + np.asarray(fuel, dtype=float)) / (1 + np.asarray(reserve, dtype=float))
    return np.asarray(np.maximum(ratio - 1, 0.0))


def constant_power_hours(
    fuel_g: npt.ArrayLike, energy_kj_per_g: npt.ArrayLike, power_w: npt.ArrayLike
) -> Array:
    """Hours of flight at constant power: fuel × energy / power.

    References
    ----------
    Lasiewski, R. C. (1962), Condor 64:324: 2 g of fat at 9 kcal/g and 0.69 kcal/h last 26.09 h.

    Examples
    --------
    >>> kcal = 4.184
    >>> float(constant_power_hours(2.0, 9 * kcal, 0.69 * kcal / 3.6).round(2))
    26.09
    """
    energy_kj = np.asarray(fuel_g, dtype=float) * np.asarray(energy_kj_per_g, dtype=float)
    return np.asarray(energy_kj / (3.6 * np.asarray(power_w, dtype=float)))


def one_percent_hours(fuel: npt.ArrayLike) -> Array:
    """Hours of flight of a songbird that loses 1 % of its mass an hour: 100 ln(1 + f).

    Delingat et al. (2008) use the law for northern wheatears; its form is from memory.

    Examples
    --------
    >>> float(one_percent_hours(0.8).round(1))
    58.8
    """
    return np.asarray(np.log1p(np.asarray(fuel, dtype=float)) / SHARE_LOST_AN_HOUR)


def range_bracket(fuel: npt.ArrayLike, zeta: float) -> Array:
    """[1 − (1 + f)^−ζ] / ζ, and its limit ln(1 + f) at ζ = 0; times c [km] it is a range.

    With ζ = ½ it is twice the bracket of Weber & Houston (1997; exponent from memory).

    Examples
    --------
    >>> (0.5 * range_bracket([0.1, 1.0], 0.5)).round(6).tolist()
    [0.046537, 0.292893]
    """
    log_ratio: Array = np.log1p(np.asarray(fuel, dtype=float))
    if zeta == 0:
        return log_ratio
    return np.asarray(-np.expm1(-zeta * log_ratio) / zeta)


def flight_hours(
    kind: str | None,
    lean_mass_g: npt.ArrayLike,
    fuel: npt.ArrayLike,
    constants: FlightConstants,
) -> Array:
    """Hours of non-stop flight on the fuel above the reserve.

    Parameters
    ----------
    kind : {"hummingbird", "songbird"} or None
        None: no law was calibrated for the bird.
    lean_mass_g, fuel : array-like
        Lean mass [g] and fuel load, of one shape or broadcast; draws are welcome.
    constants : FlightConstants

    Returns
    -------
    ndarray
        Hours, of the broadcast shape.

    Raises
    ------
    Refused
        If no law was calibrated for this kind of bird.

    Notes
    -----
    Hummingbirds mostly fly by day and feed on the way: the hours are what fuel would allow, not
    what a bird does. The power was measured in hovering; forward flight may cost less.
    """
    lean, load = np.broadcast_arrays(np.asarray(lean_mass_g, float), np.asarray(fuel, float))
    usable = usable_fuel_load(load, constants.reserve)
    if kind == "hummingbird":
        departure = lean * (1 + load)
        power = constants.flight_power_w * departure / constants.flight_power_mass_g
        fuel_g = usable * lean * (1 + constants.reserve)
        return constant_power_hours(fuel_g, constants.tissue_energy_kj_per_g, power)
    if kind == "songbird":
        return one_percent_hours(usable)
    raise Refused(
        "no range law was calibrated for this kind of bird; there are laws for "
        + " and ".join(f"{name}s" for name in KINDS)
    )


def potential_range_km(
    kind: str | None,
    lean_mass_g: npt.ArrayLike,
    fuel: npt.ArrayLike,
    constants: FlightConstants,
    tailwind_kmh: npt.ArrayLike = 0.0,
) -> Array:
    """Potential range: hours of flight × (air speed + tailwind); 0 against a wind too strong.

    Parameters
    ----------
    kind, lean_mass_g, fuel, constants
        As in `flight_hours`.
    tailwind_kmh : array-like
        Component of the wind along the way [km/h]; negative against the bird.

    Returns
    -------
    ndarray
        Kilometres, of the broadcast shape.

    Raises
    ------
    Refused
        If no law was calibrated for this kind of bird.

    Examples
    --------
    >>> wheatear = FlightConstants(air_speed_kmh=46.8, reserve=0.0)
    >>> float(potential_range_km("songbird", 25.0, 0.24, wheatear).round(3))
    1006.721
    """
    ground_speed = np.maximum(constants.air_speed_kmh + np.asarray(tailwind_kmh, dtype=float), 0.0)
    return flight_hours(kind, lean_mass_g, fuel, constants) * ground_speed


def share_ready(
    range_km: npt.ArrayLike, next_stop_km: float, weight: npt.ArrayLike | None = None
) -> Array:
    """Share of birds whose range reaches the next stop, for each draw.

    Parameters
    ----------
    range_km : array-like, (draw, bird)
    next_stop_km : float
    weight : array-like, (draw, bird), optional
        How much each bird counts; all alike by default.

    Returns
    -------
    ndarray, (draw,)

    Examples
    --------
    >>> share_ready([[100.0, 400.0, 500.0, 20.0]], 350.0).tolist()
    [0.5]
    """
    ready = np.asarray(range_km, dtype=float) >= next_stop_km
    count = np.ones(ready.shape) if weight is None else np.asarray(weight, dtype=float)
    return np.asarray((ready * count).sum(axis=-1) / count.sum(axis=-1))


def deposit_energy_kj_per_g(
    fat_share: float, fat_energy_kj_per_g: float, protein_energy_kj_per_g: float
) -> float:
    """Energy of tissue that is part fat, part wet protein.

    Klaassen et al. (1997), Physiol. Zool. 70:125, measured 33.6 kJ/g at about 82 % fat.

    Examples
    --------
    >>> round(deposit_energy_kj_per_g(0.82, 39.6, 5.5), 2)
    33.46
    """
    return fat_share * fat_energy_kj_per_g + (1 - fat_share) * protein_energy_kj_per_g


def fastest_gain_share_per_day_lindstrom03(lean_mass_g: float, individual: bool = False) -> float:
    """Fastest mass gain as a share of lean mass a day, over two days and more.

    1.16 M^−.35 % a day for means of populations and 2.17 M^−.34 for single birds, M in kg
    (Lindström 2003, quoted). Within a single day a bird may gain faster.

    Examples
    --------
    >>> round(fastest_gain_share_per_day_lindstrom03(3.4), 3)
    0.085
    """
    coefficient, exponent = (2.17, -0.34) if individual else (1.16, -0.35)
    return float(coefficient / 100 * (lean_mass_g / 1000) ** exponent)


def field_metabolic_rate_kj_per_day(
    mass_g: npt.ArrayLike, measured_mass_g: npt.ArrayLike, measured_kj_per_day: npt.ArrayLike
) -> Array:
    """Daily energy of a free-living bird, from the log-log line through measured species.

    Not to be believed far outside the masses measured, nor in cold: a handful of species in
    mild weather stands behind the line.

    Examples
    --------
    Anna's hummingbird among three measured species (Powers & Nagy 1988; Weathers & Stiles 1989):

    >>> rate = field_metabolic_rate_kj_per_day(4.48, [4.48, 4.90, 7.23], [32.0, 37.9, 57.9])
    >>> float(rate.round(0))
    33.0
    """
    slope, level = np.polyfit(np.log(measured_mass_g), np.log(measured_kj_per_day), 1)
    return np.asarray(np.exp(level + slope * np.log(np.asarray(mass_g, dtype=float))))
