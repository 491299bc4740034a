"""Invented seasons with a known onset, for tests of the monsoon."""

from dataclasses import dataclass

import numpy as np
import pytest

SITES, YEARS, DAYS = 25, 20, 168  # 1 May to 15 October


@dataclass(frozen=True)
class Seasons:
    """Seasons by site and year; `onset` is −1 where the monsoon failed."""

    dewpoint_c: np.ndarray  # (site, year, day), daily means of hourly dew points
    shortcut_c: np.ndarray  # the same from daily mean temperature and humidity
    rain_mm: np.ndarray  # (site, year, day)
    onset: np.ndarray  # (site, year)
    false_start: np.ndarray  # (site, year), bool


def simulate_seasons(seed: int) -> Seasons:
    """Draw 500 seasons: two levels of moisture, persistent noise, surges, breaks, failures.

    Moisture follows weather systems, not a threshold: a season turns on its onset day, the
    level rising over one to five days; a false start is a surge of three to six days that falls
    back; breaks of four to nine days lower the level by half; rain comes as clustered storms.
    """
    rng = np.random.default_rng(seed)
    shape = (SITES, YEARS)
    onset = np.clip(np.rint(rng.normal(64, 8, shape)), 40, 90).astype(int)
    failed = rng.random(shape) < 0.06
    false_start = ~failed & (rng.random(shape) < 0.25)
    end = np.rint(rng.normal(136, 7, shape)).astype(int)
    day = np.arange(DAYS)
    rise = rng.integers(1, 6, shape)[..., None]
    level = np.clip((day - onset[..., None] + 1) / rise, 0, 1)
    level *= np.clip((end[..., None] - day) / 4, 0, 1)
    for site, year in np.ndindex(shape):
        if false_start[site, year]:
            first = onset[site, year] - rng.integers(12, 26)
            level[site, year, first : first + rng.integers(3, 7)] = rng.uniform(0.8, 1.0)
        for _ in range(rng.poisson(1.2)):
            first = onset[site, year] + rng.integers(16, 60)
            level[site, year, first : first + rng.integers(4, 10)] *= 0.5
    level[failed] *= rng.uniform(0.0, 0.25, failed.sum())[:, None]
    dry, contrast = rng.normal(2, 2, SITES), rng.normal(12, 1.5, SITES)
    noise = np.zeros((*shape, DAYS))
    for today in range(1, DAYS):
        noise[..., today] = 0.6 * noise[..., today - 1] + rng.normal(0, 2.3, shape)
    dewpoint = dry[:, None, None] + contrast[:, None, None] * level + noise
    return Seasons(
        *_through_hourly_readings(rng, dewpoint, level),
        _storms(rng, level),
        np.where(failed, -1, onset),
        false_start,
    )


def _through_hourly_readings(rng, dewpoint, level):
    """Daily dew points as an observer of hourly temperature and whole-percent humidity has them."""
    hour = np.arange(24)
    wave = np.sin(2 * np.pi * (hour - 9) / 24)
    mean = 27 - 4 * level + rng.normal(0, 1.5, level.shape)
    temperature = mean[..., None] + (10 - 4 * level)[..., None] * wave
    vapour = np.minimum(dewpoint[..., None] - 1.0 * wave, temperature)
    a, b = 17.625, 243.04
    humidity = 100 * np.exp(a * vapour / (b + vapour) - a * temperature / (b + temperature))
    humidity = np.clip(np.rint(humidity), 1, 100)

    def inverted(t, rh):
        g = np.log(rh / 100) + a * t / (b + t)
        return b * g / (a - g)

    return inverted(temperature, humidity).mean(axis=-1), inverted(
        temperature.mean(axis=-1), humidity.mean(axis=-1)
    )


def _storms(rng, level):
    """Rain that comes with moisture, a wet day making the next one likelier."""
    rain = np.zeros_like(level)
    wet = np.zeros(level.shape[:2], bool)
    for today in range(level.shape[2]):
        chance = 0.03 + 0.34 * level[..., today] + 0.18 * wet * level[..., today]
        wet = rng.random(wet.shape) < chance
        rain[..., today] = wet * rng.gamma(0.8, 8.0, wet.shape)
    return rain


@pytest.fixture(scope="session")
def seasons() -> Seasons:
    return simulate_seasons(20310615)
