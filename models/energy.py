r"""Energy on offer and the birds it could feed for a day.

.. math::

    E_{flowers} = 10^4\,[\mathrm{m^2/ha}]\; n\, q_{sucrose}, \qquad
    E_{feeders} = 1000\, V\, c\, q_{sucrose}, \qquad
    B = \frac{a\,E}{M(m) + e\,g / k}

with nectar sugar n [g/m2/day], solution V [L/day] of c [g sugar/mL], assimilation a, field
metabolic rate M [kJ/day] at mass m [g], and gain g [g/day] stored at e [kJ/g] with efficiency k.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.models.refusal import Refused

Floats = npt.NDArray[np.float64]

SUCROSE_KJ_PER_G = 16.487  # 5643.4 kJ/mol over 342.2965 g/mol, NIST WebBook
ASSIMILATION = (0.97, 0.95, 0.99)  # share of nectar sugar taken up, from memory; range stated
LOOSE_SUGAR_G_PER_ML = (0.85, 0.80, 0.90)  # granulated sugar as poured: the range it is found in
WATER_G_PER_ML = 0.998  # at 20 degrees C
SUCROSE_ML_PER_G = 0.618  # partial volume of dissolved sucrose in water, from memory
TISSUE_KJ_PER_G = 33.6  # deposited tissue, Klaassen et al. 1997, Physiol. Zool. 70:125
DEPOSITION_EFFICIENCY = (0.88, 0.75, 0.95)  # sugar turned to fat, from memory; range stated
RANGE_SD = 3.29  # standard deviations between the ends of a 90 % range

# Field metabolic rate by mass through the measured hummingbirds: Anna's 4.48 g, 32 kJ/day (Powers
# & Nagy 1988, Physiol. Zool. 61:500); tropical species 4.90 g, 37.9 and 7.23 g, 57.9 kJ/day
# (Weathers & Stiles 1989). Least squares of the logs; its spread covers birds, days and species.
MEASURED_MASS_G = (4.48, 4.90, 7.23)
MEASURED_KJ_PER_DAY = (32.0, 37.9, 57.9)
METABOLIC_LOG_SD = 0.15
MEASURED_SPAN_G = (2.0, 10.0)  # beyond it the line is no hummingbird's
FEWEST_DAYS_COUNTED = 5


@dataclass(frozen=True)
class FeederSolution:
    """Strength of a solution mixed by volume.

    Attributes
    ----------
    sugar_share : float
        Sugar by mass [1].
    sugar_g_per_ml : float
        Sugar by volume of solution [g/mL].
    kj_per_ml : float
        Energy by volume of solution [kJ/mL].
    """

    sugar_share: float
    sugar_g_per_ml: float
    kj_per_ml: float


def feeder_solution(
    water_to_sugar: float, loose_sugar_g_per_ml: float = LOOSE_SUGAR_G_PER_ML[0]
) -> FeederSolution:
    r"""Strength of a feeder's solution from its mixing ratio by volume.

    .. math::

        w = \frac{\rho_s}{\rho_s + r \rho_w}, \qquad
        c = \frac{\rho_s}{r + v\,\rho_s}, \qquad q = c\, q_{sucrose}

    for r parts of water to one of sugar poured loosely at :math:`\rho_s`; dissolved, a gram of
    sugar takes up v mL.

    Parameters
    ----------
    water_to_sugar : float
        Parts of water to one of sugar, by volume.
    loose_sugar_g_per_ml : float
        Density of the sugar as poured [g/mL].

    Returns
    -------
    FeederSolution

    Raises
    ------
    ValueError
        Unless ratio and density are above 0.

    Notes
    -----
    4 : 1 with sugar of 0.85 g/mL: 0.85 g in 4 × 0.998 + 0.85 = 4.84 g is 17.6 % by mass; in
    4 + 0.618 × 0.85 = 4.53 mL it is 0.188 g/mL, at 16.487 kJ/g 3.10 kJ/mL.

    Do not believe it for raw or powdered sugar, nor for solution left to evaporate.

    References
    ----------
    Strengths by volume: Dawkins, North American Bird Bander. Heat of combustion: NIST WebBook.

    Examples
    --------
    >>> round(feeder_solution(4.0).sugar_share, 3)
    0.176
    """
    if not (water_to_sugar > 0 and loose_sugar_g_per_ml > 0):
        raise ValueError("mixing ratio and density of sugar must be above 0")
    share = loose_sugar_g_per_ml / (loose_sugar_g_per_ml + water_to_sugar * WATER_G_PER_ML)
    volume_ml = water_to_sugar + SUCROSE_ML_PER_G * loose_sugar_g_per_ml
    by_volume = loose_sugar_g_per_ml / volume_ml
    return FeederSolution(share, by_volume, by_volume * SUCROSE_KJ_PER_G)


def field_metabolic_rate(mass_g: npt.ArrayLike) -> Floats:
    """Energy that a free-living hummingbird of a mass spends in a day [kJ/day].

    Raises
    ------
    Refused
        For a mass outside 2 to 10 g, where no measurement stands behind the line.

    Examples
    --------
    >>> field_metabolic_rate(4.5).round(0).tolist()
    33.0
    """
    mass = np.asarray(mass_g, dtype=float)
    low, high = MEASURED_SPAN_G
    if not ((mass >= low) & (mass <= high)).all():
        raise Refused(
            f"the daily need is known for hummingbirds of {low:g} to {high:g} g, not for this mass"
        )
    slope, level = np.polyfit(np.log(MEASURED_MASS_G), np.log(MEASURED_KJ_PER_DAY), 1)
    return np.asarray(np.exp(level + slope * np.log(mass)))


def solution_needed_ml(need_kj_per_day: float, solution: FeederSolution) -> float:
    """Solution that covers a day's need when all its sugar is taken up [mL/day].

    32 kJ/day over 3.06 kJ/mL is 10.5 mL; with 97 % taken up it would be 10.8.

    Examples
    --------
    >>> round(solution_needed_ml(32.0, FeederSolution(0.175, 0.186, 3.06)), 1)
    10.5
    """
    return need_kj_per_day / solution.kj_per_ml


def flower_energy_kj_per_ha(nectar_mg_per_m2_day: npt.ArrayLike) -> Floats:
    """Energy that the nectar of a hectare holds [kJ/ha/day], from sugar [mg/m2/day].

    Examples
    --------
    >>> float(flower_energy_kj_per_ha(10.0).round(1))  # 10 mg/m2 is 100 g/ha
    1648.7
    """
    return np.asarray(np.asarray(nectar_mg_per_m2_day, dtype=float) * 1e4 / 1e3 * SUCROSE_KJ_PER_G)


def draw_range(rng: np.random.Generator, of: tuple[float, float, float], draws: int) -> Floats:
    """Draws of a positive number from its middle and 90 % range, log-normal."""
    middle, low, high = of
    sd = (np.log(high) - np.log(low)) / RANGE_SD
    return np.asarray(middle * np.exp(sd * rng.standard_normal(draws)))


def draw_feeder_energy(
    litres_per_day: npt.ArrayLike, water_to_sugar: npt.ArrayLike, draws: int, seed: int
) -> Floats:
    """Draws of the energy filled into feeders [kJ/day], shape (draws, ...).

    Sugar's loose density varies over its range. What is filled is not all drunk: spilt and
    spoilt solution and other drinkers are not taken off.

    Examples
    --------
    >>> draws = draw_feeder_energy([1.0], [4.0], draws=2000, seed=1)
    >>> bool(abs(np.median(draws) - 3090) < 60)
    True
    """
    litres = np.asarray(litres_per_day, dtype=float)
    ratio = np.asarray(water_to_sugar, dtype=float)
    density = draw_range(np.random.default_rng(seed), LOOSE_SUGAR_G_PER_ML, draws)
    density = density.reshape(-1, *[1] * litres.ndim)
    sugar_g_per_ml = density / (ratio + SUCROSE_ML_PER_G * density)
    return np.asarray(litres * 1000.0 * sugar_g_per_ml * SUCROSE_KJ_PER_G)


def draw_birds_fed(
    energy_kj_per_day: npt.ArrayLike, mass_g: float, gain_g_per_day: float, seed: int
) -> Floats:
    """Draws of the bird-days a day that energy on offer could feed.

    Parameters
    ----------
    energy_kj_per_day : array-like, shape (draws, ...)
        Energy on offer, by draw [kJ/day].
    mass_g : float
        Mass of the birds [g].
    gain_g_per_day : float
        Mass they put on in a day [g/day]; 0 to hold their own.
    seed : int

    Returns
    -------
    ndarray, shape as the energy's
        [bird-days/day]

    Raises
    ------
    Refused
        For a mass outside the measured hummingbirds, or a loss of mass.

    Notes
    -----
    A ceiling: insects, bats at night and flowers never found take their part, unknown.

    Examples
    --------
    >>> birds = draw_birds_fed(np.full(4000, 3200.0), 4.5, 0.0, seed=1)
    >>> bool(80 < np.median(birds) < 105)
    True
    """
    if gain_g_per_day < 0:
        raise Refused("a need is told for birds that hold or gain mass, not for losers")
    energy = np.asarray(energy_kj_per_day, dtype=float)
    draws = energy.shape[0]
    rng = np.random.default_rng(seed)
    spend = field_metabolic_rate(mass_g) * np.exp(METABOLIC_LOG_SD * rng.standard_normal(draws))
    store = gain_g_per_day * TISSUE_KJ_PER_G / draw_range(rng, DEPOSITION_EFFICIENCY, draws)
    # A share cannot pass 1, and its range is narrow: a normal cut there.
    middle, low, high = ASSIMILATION
    taken = np.minimum(middle + (high - low) / RANGE_SD * rng.standard_normal(draws), 1.0)
    per_bird = (taken / (spend + store)).reshape(-1, *[1] * (energy.ndim - 1))
    return np.asarray(energy * per_bird)


def share_of_need(
    bird_days_fed: npt.ArrayLike,
    birds_counted: npt.ArrayLike | None,
    area_ha: float | None,
    seed: int,
) -> Floats:
    r"""Draws of what an area could feed over the birds counted on it, on the days counted.

    .. math:: s = \frac{A \sum_d w_d B_d}{\sum_d w_d N_d}, \qquad w \sim Dirichlet(1, …, 1)

    with bird-days fed by a hectare B, area A and birds counted N on day d. The weights are
    drawn anew for every draw: days counted stand for the days that were not.

    Parameters
    ----------
    bird_days_fed : array-like, shape (draws, days)
        By hectare, on the days counted [bird-days/day/ha].
    birds_counted : array-like, shape (days,), or None
        Birds seen in a count made without bait, a day.
    area_ha : float or None
        Flowering ground of the area counted [ha].
    seed : int

    Returns
    -------
    ndarray, shape (draws,)
        Share of the birds' need on offer; above 1 more than they need.

    Raises
    ------
    Refused
        Without counts on five days, without a bird counted, or without an area.

    Notes
    -----
    Birds that were there and not seen are not among those to feed, and insects, bats and other
    birds drink too: the true share is smaller. Do not believe it where birds feed beyond the
    area counted.

    References
    ----------
    Rubin, D. B. (1981). The Bayesian bootstrap. Ann. Statist. 9:130. doi:10.1214/aos/1176345338

    Examples
    --------
    >>> fed = np.full((50, 5), 6.0)
    >>> share_of_need(fed, [24, 24, 24, 24, 24], area_ha=2.0, seed=1).max().round(2).tolist()
    0.5
    """
    if birds_counted is None:
        raise Refused(
            "without counts made without bait the number of birds to feed is not known; captures "
            "at bait rise when flowers fail"
        )
    if area_ha is None or not area_ha > 0:
        raise Refused(
            "without the area of flowering ground counted, no share of the birds' need; write "
            "flowering_area_ha in the sites sheet"
        )
    fed, counted = np.asarray(bird_days_fed, dtype=float), np.asarray(birds_counted, dtype=float)
    if counted.size < FEWEST_DAYS_COUNTED:
        raise Refused(
            f"counts on {counted.size} days; a share of need asks for {FEWEST_DAYS_COUNTED}"
        )
    if not counted.sum() > 0:
        raise Refused("no hummingbird was counted: there is no need to share")
    weights = np.random.default_rng(seed).dirichlet(np.ones(counted.size), len(fed))
    return np.asarray(area_ha * (weights * fed).sum(axis=1) / (weights @ counted))
