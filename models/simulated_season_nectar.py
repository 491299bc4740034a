"""Flowers and nectar of a simulated study: buds opened by warmth, rain and the winter before."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.models.simulated_season_weather import WINTER_DAYS, SimulatedWeather
from phenology.models.simulated_season_world import DAYS, FIRST_DAY, World

FloatArray = npt.NDArray[np.float64]

SUCROSE_KJ_PER_MG = 0.016487  # heat of combustion, NIST WebBook: 16.487 kJ/g
BASE_C = 5.0
SOIL_CAPACITY_MM = 120.0
GROWTH_STARTS = 60  # 1 March
SUMMER = 152  # 1 June: rain plants wait for wet ground from here on
DULL_START = 188  # with no effect of the monsoon, rain plants start on this day
WETTED_MM = 45.0
FAILED_SHARE = 0.1  # of the flowers, in a season that fails


@dataclass(frozen=True)
class SimulatedBloom:
    """Flowers and nectar on (season, site, plant, day), from `FIRST_DAY` to `LAST_DAY`.

    Attributes
    ----------
    flowers_per_ha : array
        Open flowers.
    nectar_kj_per_ha : array (seasons, sites, days)
        Energy of the nectar that all flowers of a hectare make in a day.
    """

    flowers_per_ha: FloatArray
    nectar_kj_per_ha: FloatArray


def grow_flowers(
    world: World, weather: SimulatedWeather, rng: np.random.Generator
) -> SimulatedBloom:
    """Let every plant of every station and season grow, open and fade.

    Buds of a plant need unequal sums of warmth; a day's warmth counts less on dry ground. A plant
    of the winter sets as many buds as the moisture of October to March allows; a plant of the
    summer rain begins when the ground is wet. Hard frost takes open flowers and some buds, drought
    shortens a flower's life.

    Parameters
    ----------
    world : World
    weather : SimulatedWeather
    rng : numpy.random.Generator

    Returns
    -------
    SimulatedBloom
    """
    seasons, sites, plants = len(world.seasons), len(world.stations), len(world.plants)
    driver = np.array([plant.driver for plant in world.plants])
    needed = np.array([plant.warmth_c_days for plant in world.plants])
    spread = np.array([plant.warmth_spread for plant in world.plants])
    life = np.array([plant.life_days for plant in world.plants])
    sugar = np.array([plant.nectar_mg for plant in world.plants])
    block = np.arange(WINTER_DAYS + FIRST_DAY + DAYS)
    start = np.array([weather.from_january(season) - WINTER_DAYS for season in world.seasons])
    index = start[:, None] + block
    tmean, tmin = (np.moveaxis(of[:, index], 0, 1) for of in (weather.tmean_c, weather.tmin_c))
    rain = np.moveaxis(weather.rain_mm[:, index], 0, 1)

    buds = _buds(world, rain[:, :, : WINTER_DAYS + 90].sum(axis=2), rng)
    growth = np.zeros((seasons, sites, plants))
    opened = np.zeros_like(growth)
    started = np.broadcast_to(driver != "rain", growth.shape).copy()
    open_now = np.zeros_like(growth)
    soil = np.full((seasons, sites), 40.0)
    flowers = np.zeros((seasons, sites, plants, DAYS))
    nectar = np.zeros((seasons, sites, DAYS))
    for step in block:
        day = step - WINTER_DAYS + 1
        warm = np.maximum(tmean[:, :, step] - BASE_C, 0.0)
        soil = soil + rain[:, :, step] - (0.8 + 0.28 * warm) * soil / SOIL_CAPACITY_MM
        soil = np.clip(soil, 2.0, SOIL_CAPACITY_MM)
        if day < GROWTH_STARTS:
            continue
        water = soil if world.monsoon_effect or day < SUMMER else np.full_like(soil, 45.0)
        moisture = (water / (water + 25.0))[:, :, None]
        if day >= SUMMER:
            called = soil > WETTED_MM if world.monsoon_effect else soil * 0 + day >= DULL_START
            started |= (driver == "rain") & called[:, :, None]
        growth = growth + started * warm[:, :, None] * (0.35 + moisture)
        share = 1.0 / (1.0 + np.exp(-1.7 * (growth - needed) / spread))
        share = np.where(started, share - 1.0 / (1.0 + np.exp(1.7 * needed / spread)), 0.0)
        fresh = np.maximum(share - opened, 0.0)
        opened = np.maximum(opened, share)
        thrift = np.where(driver == "rain", 0.25 + 1.2 * moisture, 0.7 + 0.5 * moisture)
        open_now = open_now * (1.0 - 1.0 / (life * (0.6 + 0.6 * moisture))) + buds * fresh * thrift
        frost = (tmin[:, :, step] < -2.0)[:, :, None]
        open_now = np.where(frost, 0.2 * open_now, open_now)
        buds = np.where(frost & (growth > 0.3 * needed), 0.97 * buds, buds)
        if FIRST_DAY <= day < FIRST_DAY + DAYS:
            flowers[:, :, :, day - FIRST_DAY] = open_now
            flow = open_now * sugar * (0.6 + 0.6 * moisture) * SUCROSE_KJ_PER_MG
            nectar[:, :, day - FIRST_DAY] = flow.sum(axis=2)
    return SimulatedBloom(flowers, nectar)


def _buds(world: World, winter_mm: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Buds a hectare on (season, site, plant): the site's quality, the winter, and chance."""
    base = np.array([plant.buds_per_ha for plant in world.plants])
    quality = np.array([station.quality for station in world.stations])
    vigour = rng.lognormal(-0.03, 0.25, (*winter_mm.shape, base.size))
    buds: FloatArray = base * vigour * quality[None, :, None] * world.flower_scale
    buds[np.isin(world.seasons, world.failed)] *= FAILED_SHARE
    set_by_winter = (1.9 * winter_mm / (winter_mm + 200.0))[:, :, None]
    of_winter = np.array([plant.driver == "winter" for plant in world.plants])
    return np.where(of_winter, buds * set_by_winter, buds)
