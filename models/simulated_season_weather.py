"""Weather of a simulated study, day by day: winters, false starts, the monsoon and its breaks."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.models.simulated_season_world import World

FloatArray = npt.NDArray[np.float64]
Dates = npt.NDArray[np.datetime64]

WINTER_DAYS = 92  # a season's record begins on 1 October of the year before
REFERENCE_ELEVATION_M = 1500.0
LAPSE_C_PER_KM = 6.5
DEWPOINT_LAPSE_C_PER_KM = 2.2
MOIST_DEWPOINT_C = 13.5  # in a burst of the monsoon, at the reference elevation
BREAK_DEWPOINT_C = 9.5


@dataclass(frozen=True)
class SimulatedWeather:
    """Daily weather on (site, day) from 1 October before the first season to the last autumn.

    Attributes
    ----------
    dates : array of dates, shape (days,)
    tmin_c, tmax_c, tmean_c, dewpoint_c, rain_mm, snow_cm, wind_kmh : arrays (sites, days)
    onset_day, withdrawal_day : arrays (seasons,)
        True first and last day of the monsoon [day of year].
    strength : array (seasons,)
        Rain of the monsoon relative to the normal.
    false_start : array (seasons,)
        Whether a moist spell came before the true onset.
    """

    dates: Dates
    tmin_c: FloatArray
    tmax_c: FloatArray
    tmean_c: FloatArray
    dewpoint_c: FloatArray
    rain_mm: FloatArray
    snow_cm: FloatArray
    wind_kmh: FloatArray
    onset_day: npt.NDArray[np.int64]
    withdrawal_day: npt.NDArray[np.int64]
    strength: FloatArray
    false_start: npt.NDArray[np.bool_]

    def from_january(self, season: int) -> int:
        """Index of 1 January of a season."""
        return int((np.datetime64(f"{season}-01-01") - self.dates[0]).astype(int))


def simulate_weather(world: World, rng: np.random.Generator) -> SimulatedWeather:
    """Draw the weather of every station and day.

    A common air mass (red noise about the year's course) is shared by the stations and lowered
    with elevation. Winter storms come in spells whose frequency differs between winters. The
    monsoon is a chain of bursts and breaks between an onset and a withdrawal, in some years after
    a false start; its rain falls in showers that miss some stations.

    Parameters
    ----------
    world : World
    rng : numpy.random.Generator

    Returns
    -------
    SimulatedWeather
    """
    seasons = np.array(world.seasons)
    first = np.datetime64(f"{seasons[0] - 1}-10-01")
    dates = np.arange(first, np.datetime64(f"{seasons[-1]}-11-01"))
    count = dates.size
    day = (dates - dates.astype("datetime64[Y]").astype(dates.dtype)).astype(int) + 1
    monsoon, onset, withdrawal, strength, false_start = _monsoon(seasons, dates, rng)
    storms = _winter_storms(seasons, dates, day, rng)

    height_km = (
        np.array([station.elevation_m for station in world.stations]) - REFERENCE_ELEVATION_M
    ) / 1000.0
    sites = height_km.size
    burst, broken = monsoon == 2, monsoon == 1

    course = 13.0 - 9.5 * np.cos(2 * np.pi * (day - 15) / 365.25)
    air = course + _red_noise(rng, count, 0.8, 2.4) - 1.5 * burst - 3.0 * (storms > 0)
    tmean = air - LAPSE_C_PER_KM * height_km[:, None] + rng.normal(0, 0.5, (sites, count))
    swing = np.where(burst, 5.0, 8.0) - 2.0 * (storms > 0) + rng.normal(0, 0.7, (sites, count))
    swing = np.maximum(swing, 1.5)

    dry = -1.0 - 5.0 * np.cos(2 * np.pi * (day - 30) / 365.25)
    moist = np.where(burst, MOIST_DEWPOINT_C, np.where(broken, BREAK_DEWPOINT_C, dry))
    moist = np.convolve(np.r_[moist[0], moist], [0.75, 0.25])[1 : count + 1]
    dewpoint = moist + 3.0 * (storms > 0) + _red_noise(rng, count, 0.5, 1.3)
    dewpoint = dewpoint - DEWPOINT_LAPSE_C_PER_KM * height_km[:, None]
    dewpoint = np.minimum(dewpoint + rng.normal(0, 0.4, (sites, count)), tmean - 0.5)

    season_of = np.clip(dates.astype("datetime64[Y]").astype(int) + 1970 - seasons[0], 0, None)
    season_of = np.minimum(season_of, seasons.size - 1)
    chance = np.where(burst, 0.55, np.where(broken, 0.12, 0.015))
    showers = rng.random((sites, count)) < chance
    amount = rng.gamma(0.9, 9.0, (sites, count)) * np.where(burst, strength[season_of], 0.4)
    lift = 1.0 + 0.35 * height_km[:, None]
    rain = showers * amount * np.maximum(lift, 0.3)
    rain += storms * rng.gamma(6.0, 1 / 6.0, (sites, count)) * np.maximum(lift, 0.3)
    rain = np.where(rain < 0.2, 0.0, rain)
    wind = rng.gamma(6.0, 1.3, (sites, count)) + 6.0 * (storms > 0)
    return SimulatedWeather(
        dates=dates,
        tmin_c=tmean - swing,
        tmax_c=tmean + swing,
        tmean_c=tmean,
        dewpoint_c=dewpoint,
        rain_mm=rain,
        snow_cm=_snow(tmean, rain),
        wind_kmh=wind,
        onset_day=onset,
        withdrawal_day=withdrawal,
        strength=strength,
        false_start=false_start,
    )


def _red_noise(rng: np.random.Generator, count: int, memory: float, spread: float) -> FloatArray:
    shocks = rng.normal(0, spread * np.sqrt(1 - memory**2), count)
    series = np.empty(count)
    value = 0.0
    for index in range(count):
        value = memory * value + shocks[index]
        series[index] = value
    return series


def _monsoon(
    seasons: npt.NDArray[np.int64], dates: Dates, rng: np.random.Generator
) -> tuple[
    npt.NDArray[np.int64],
    npt.NDArray[np.int64],
    npt.NDArray[np.int64],
    FloatArray,
    npt.NDArray[np.bool_],
]:
    """State of the air by day (0 dry, 1 break, 2 burst) and each season's true dates."""
    state = np.zeros(dates.size, dtype=np.int64)
    onset = np.clip(np.rint(rng.normal(186, 8, seasons.size)), 166, 212).astype(np.int64)
    withdrawal = np.clip(np.rint(rng.normal(262, 7, seasons.size)), 245, 280).astype(np.int64)
    strength = rng.gamma(9.0, 1 / 9.0, seasons.size)
    false_start = rng.random(seasons.size) < 0.4
    for index, season in enumerate(seasons):
        january = int((np.datetime64(f"{season}-01-01") - dates[0]).astype(int)) - 1
        if false_start[index]:
            start = onset[index] - rng.integers(9, 19)
            state[january + start : january + start + rng.integers(2, 5)] = 2
        day, burst = int(onset[index]), True
        while day <= withdrawal[index]:
            length = int(rng.geometric(1 / 6) + 2 if burst else rng.geometric(1 / 3) + 1)
            until = min(day + length, int(withdrawal[index]) + 1)
            state[january + day : january + until] = 2 if burst else 1
            day, burst = until, not burst
        # the last day counts as monsoon only if it is moist
        moist = np.flatnonzero(state[january + onset[index] : january + 300] == 2)
        withdrawal[index] = onset[index] + moist[-1]
    return state, onset, withdrawal, strength, false_start


def _winter_storms(
    seasons: npt.NDArray[np.int64],
    dates: Dates,
    day: npt.NDArray[np.int64],
    rng: np.random.Generator,
) -> FloatArray:
    """Rain or melted snow [mm] of frontal storms; wet and dry winters differ."""
    wetness = rng.gamma(4.0, 0.25, seasons.size + 1)
    years = dates.astype("datetime64[Y]").astype(int) + 1970
    winter = np.clip(years + (day > 270) - seasons[0], 0, seasons.size)
    chance = np.where((day > 274) | (day < 91), 0.075 * wetness[winter], 0.0)
    chance = np.where((day >= 91) & (day < 130), 0.02, chance)
    storms = np.zeros(dates.size)
    starts = np.flatnonzero(rng.random(dates.size) < chance)
    for start, length in zip(starts, rng.integers(1, 4, starts.size), strict=True):
        span = storms[start : start + length]
        span += rng.gamma(1.5, 6.0, span.size)
    return storms


def _snow(tmean: FloatArray, rain: FloatArray) -> FloatArray:
    """Snow on the ground [cm]: a millimetre falls as a centimetre, 3 cm melt per degree-day."""
    snow = np.zeros_like(tmean)
    depth = np.zeros(tmean.shape[0])
    for index in range(tmean.shape[1]):
        cold = tmean[:, index] < 1.0
        depth = depth + np.where(cold, rain[:, index], 0.0)
        depth = np.maximum(depth - 3.0 * np.maximum(tmean[:, index], 0.0), 0.0)
        snow[:, index] = depth
    return snow
