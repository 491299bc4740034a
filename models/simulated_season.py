"""An individual-based season with known truth, on other principles than the fitted models.

Birds are not drawn from curves: weather grows flowers, flowers make nectar, birds arrive by the
dates on which they left elsewhere, look for food, crowd one another, gain or lose mass by their
energy balance, and go when they are fuelled or starved; a trap catches a bird as often as the bird
feeds there. Peaks, fuel loads, the pull of bait and the effect of rain are results.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.simulated_season_birds import (
    Flock,
    Individuals,
    Returning,
    choose_returning,
)
from phenology.models.simulated_season_days import (
    Chances,
    SeasonLived,
    Surroundings,
    live_season,
)
from phenology.models.simulated_season_muster import muster
from phenology.models.simulated_season_nectar import SimulatedBloom, grow_flowers
from phenology.models.simulated_season_trapping import Sessions, plan_sessions
from phenology.models.simulated_season_weather import SimulatedWeather, simulate_weather
from phenology.models.simulated_season_world import DAYS, FIRST_DAY, World

FloatArray = npt.NDArray[np.float64]

__all__ = ["SimulatedStudy", "World", "simulate"]


@dataclass(frozen=True)
class Year:
    """One season as lived: its birds, what they met, and what became of them."""

    season: int
    flock: Flock
    around: Surroundings
    sessions: Sessions
    lived: SeasonLived


@dataclass(frozen=True)
class SimulatedStudy:
    """A study as its banders would hand it over, and the truth that only the simulation knows.

    Attributes
    ----------
    world : World
    seed : int
    sheets : dict of str to pandas.DataFrame
        By kind of sheet, with the columns of the contract.
    truth : dict of str to pandas.DataFrame
        `birds` (one row a bird and season), `stays`, `captures` (aligned with the sheet),
        `presence` (birds present by day), `numbers` (yearly), `timing`, `nectar`, `monsoon`.
    """

    world: World
    seed: int
    sheets: dict[str, pd.DataFrame]
    truth: dict[str, pd.DataFrame]


def simulate(world: World, seed: int) -> SimulatedStudy:
    """Simulate a study: seasons of weather, flowers, birds and banding.

    Every subject has random numbers of its own, and every bird and day too, so that the same seed
    with one thing changed in the world (`flower_scale`, `feeders`) gives the same birds on the
    same days in other circumstances.

    Parameters
    ----------
    world : World
    seed : int

    Returns
    -------
    SimulatedStudy

    Examples
    --------
    >>> from phenology.models.simulated_season_world import make_world
    >>> study = simulate(make_world(1, 1), seed=3)
    >>> bool(study.truth["captures"]["fuel_load"].between(-0.2, 0.8).all())
    True
    """
    from phenology.models.simulated_season_sheets import write_sheets
    from phenology.models.simulated_season_truth import tell_truth

    weather = simulate_weather(world, _rng(seed, 1))
    bloom = grow_flowers(world, weather, _rng(seed, 2))
    ports = hang_feeders(world, bloom, _rng(seed, 3))
    birds = Individuals.empty()
    back = Returning.none()
    spring = bloom.nectar_kj_per_ha[:, :, 30:91].mean(axis=2)
    spring = spring / spring.mean(axis=0)
    years = []
    for number, season in enumerate(world.seasons):
        flock = muster(world, birds, season, spring[number], back=back, rng=_rng(seed, 4, season))
        around, sunrise, tmax = _surroundings(world, weather, bloom, ports, number)
        sessions = plan_sessions(
            world,
            season,
            _rng(seed, 5, season),
            sunrise=sunrise,
            tmax_c=tmax,
            rain_mm=around.rain_mm,
        )
        chances = Chances.draw(flock.count, _rng(seed, 6, season))
        lived = live_season(world, flock, around, sessions, chances)
        back = choose_returning(flock, birds, lived.was_here, _rng(seed, 7, season))
        years.append(Year(season, flock, around, sessions, lived))
    truth = tell_truth(world, weather, bloom, birds, years)
    sheets, truth["captures"] = write_sheets(world, weather, bloom, birds, years, rng=_rng(seed, 8))
    return SimulatedStudy(world, seed, sheets, truth)


def _rng(seed: int, *subject: int) -> np.random.Generator:
    return np.random.default_rng([seed, *subject])


def hang_feeders(world: World, bloom: SimulatedBloom, rng: np.random.Generator) -> FloatArray:
    """Ports of feeders other than the traps', on (season, site, day).

    Each season has an early and a late part (the turn is drawn between 5 and 25 July); in each,
    a station has feeders or not, by the world's rule.

    Parameters
    ----------
    world : World
    bloom : SimulatedBloom
    rng : numpy.random.Generator

    Returns
    -------
    array (seasons, sites, days)
    """
    seasons, sites = len(world.seasons), len(world.stations)
    ports = np.zeros((seasons, sites, DAYS))
    turn = rng.integers(186, 207, (seasons, sites)) - FIRST_DAY
    draw = rng.random((seasons, sites, 2))
    quality = np.array([station.quality for station in world.stations])
    parts = np.stack(
        [
            bloom.nectar_kj_per_ha[:, :, 40:100].mean(axis=2),
            bloom.nectar_kj_per_ha[:, :, 100:180].mean(axis=2),
        ],
        axis=2,
    )
    anomaly = np.log(parts + 1.0) - np.log(parts + 1.0).mean(axis=0)
    chance = {
        "by_chance": np.full(draw.shape, 0.5),
        "by_quality": np.broadcast_to(
            np.where(quality > np.median(quality), 0.85, 0.15)[None, :, None], draw.shape
        ),
        "by_need": np.where(anomaly < 0, 0.85, 0.15),
        "never_varying": np.ones(draw.shape),
        "none": np.zeros(draw.shape),
    }[world.feeders]
    up = draw < chance
    late = np.arange(DAYS) >= turn[:, :, None]
    ports[:] = np.where(late, up[:, :, 1:], up[:, :, :1]) * world.feeder_ports
    return ports


def _surroundings(
    world: World,
    weather: SimulatedWeather,
    bloom: SimulatedBloom,
    ports: FloatArray,
    number: int,
) -> tuple[Surroundings, FloatArray, FloatArray]:
    start = weather.from_january(world.seasons[number]) + FIRST_DAY - 1
    days = slice(start, start + DAYS)
    sunrise, day_hours = sun_hours(world)
    around = Surroundings(
        nectar_kj_per_ha=bloom.nectar_kj_per_ha[number],
        ports=ports[number],
        tmean_c=weather.tmean_c[:, days],
        rain_mm=weather.rain_mm[:, days],
        day_hours=day_hours,
    )
    return around, sunrise, weather.tmax_c[:, days]


def sun_hours(world: World) -> tuple[FloatArray, FloatArray]:
    """Sunrise [h, the stations' clocks] and length of the day [h] on (site, day).

    A declination and equation of time good to a few minutes; the upper limb at −0.833°.
    """
    day = np.arange(FIRST_DAY, FIRST_DAY + DAYS)
    latitude = np.deg2rad([[station.latitude] for station in world.stations])
    behind = [station.utc_offset_h - station.longitude / 15 for station in world.stations]
    declination = np.deg2rad(23.44) * np.sin(2 * np.pi * (day - 81) / 365.25)
    angle = 2 * np.pi * (day - 81) / 364.0
    minutes = 9.87 * np.sin(2 * angle) - 7.53 * np.cos(angle) - 1.5 * np.sin(angle)
    rising = np.sin(np.deg2rad(-0.833)) - np.sin(latitude) * np.sin(declination)
    half = np.arccos(rising / (np.cos(latitude) * np.cos(declination)))
    day_hours = 2 * np.rad2deg(half) / 15.0
    noon = 12.0 + np.array(behind)[:, None] - minutes / 60.0
    return noon - day_hours / 2, day_hours
