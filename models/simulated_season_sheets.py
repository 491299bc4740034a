"""The other sheets of a simulated study: effort, counts, bloom, feeders, weather, events."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.simulated_season_captures import clock, write_captures
from phenology.models.simulated_season_world import DAYS, FIRST_DAY, Station, World

if TYPE_CHECKING:
    from phenology.models.simulated_season import Year
    from phenology.models.simulated_season_birds import Individuals
    from phenology.models.simulated_season_nectar import SimulatedBloom
    from phenology.models.simulated_season_weather import SimulatedWeather

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

COUNT_MINUTES = 30
SEEN_IN_COUNT = 0.30  # chance that a bird present is counted in half an hour
SURVEY_FIRST, SURVEY_LAST = 110, 280
SURVEY_AREA_M2 = 500.0
SURVEY_ERROR = 0.15
LITRES_PER_PORT = 0.03


def write_sheets(
    world: World,
    weather: SimulatedWeather,
    bloom: SimulatedBloom,
    birds: Individuals,
    years: list[Year],
    *,
    rng: np.random.Generator,
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Write every sheet as the banders would.

    Parameters
    ----------
    world : World
    weather : SimulatedWeather
    bloom : SimulatedBloom
    birds : Individuals
    years : list of Year
    rng : numpy.random.Generator

    Returns
    -------
    sheets : dict of str to pandas.DataFrame
    truth : pandas.DataFrame
        Truth of the captures, row by row.
    """
    captures, truth = write_captures(world, birds, years, rng)
    sheets = {
        "captures": captures,
        "effort": _effort(world, years),
        "sites": _sites(world),
        "counts": _counts(world, years, rng),
        "bloom": _bloom(world, bloom, rng),
        "plants": _plants(world),
        "feeders": _feeders(world, years),
        "weather": _weather(world, weather, rng),
        "events": _events(world),
    }
    return {name: sheet for name, sheet in sheets.items() if len(sheet)}, truth


def _date(season: int, day: int) -> str:
    """Date of a day counted from `FIRST_DAY`."""
    return str(np.datetime64(f"{season}-01-01") + (day + FIRST_DAY - 1))


def _effort(world: World, years: list[Year]) -> pd.DataFrame:
    rows = []
    for year in years:
        work = year.sessions
        for site, day in zip(*np.nonzero(work.hours), strict=True):
            start = float(work.opening[site, day])
            opened, closed = clock(np.array([start, start + float(work.hours[site, day])]))
            devices = [(f"T{number + 1}", "trap") for number in range(work.traps[site, day])]
            devices += [(f"N{number + 1}", "net") for number in range(work.nets[site, day])]
            for device, method in devices:
                rows.append(
                    {
                        "site": world.stations[site].site,
                        "date": _date(year.season, int(day)),
                        "trap": device,
                        "open": opened,
                        "close": closed,
                        "traps": 1,
                        "method": method,
                        "baited": "yes" if method == "trap" else "no",
                        "other_feeders_up": "yes" if year.around.ports[site, day] > 0 else "no",
                        "closed_because": str(work.ended[site, day]),
                    }
                )
    return pd.DataFrame(rows)


def _sites(world: World) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "site": station.site,
                "name": station.name,
                "latitude": station.latitude,
                "longitude": station.longitude,
                "elevation_m": station.elevation_m,
                "timezone": f"Etc/GMT{-station.utc_offset_h:+d}",
                "flowering_area_ha": station.area_ha,
                "sensitive": "yes" if station.sensitive else "no",
            }
            for station in world.stations
        ]
    )


def _at_work(station: Station, season: int) -> bool:
    return season not in [lost for lost, _, _ in station.lost]


def _counts(world: World, years: list[Year], rng: np.random.Generator) -> pd.DataFrame:
    """Half-hour counts from a fixed point without bait; adult males told apart, the rest not."""
    rows = []
    for year in years:
        for site, station in enumerate(world.stations):
            plan = station.plan
            if not plan.count_every or not _at_work(station, year.season):
                continue
            for day in range(plan.first_day, plan.last_day + 1, plan.count_every):
                there = year.lived.present[site, ..., day - FIRST_DAY].sum(axis=-1)
                seen = rng.binomial(there, SEEN_IN_COUNT)
                start = clock(np.array([float(rng.choice([7.0, 7.5, 8.0, 16.0, 16.5]))]))[0]
                for number, kind in enumerate(world.species):
                    males = int(seen[number, 0, 0])
                    rest = int(seen[number].sum()) - males
                    for age, sex, count in (
                        ("adult", "male", males),
                        ("unknown", "unknown", rest),
                    ):
                        rows.append(
                            {
                                "site": station.site,
                                "date": _date(year.season, day - FIRST_DAY),
                                "start": start,
                                "minutes": COUNT_MINUTES,
                                "method": "fixed point",
                                "species": kind.name,
                                "age": age,
                                "sex": sex,
                                "count": count,
                            }
                        )
    return pd.DataFrame(rows)


def _bloom(world: World, bloom: SimulatedBloom, rng: np.random.Generator) -> pd.DataFrame:
    """Surveys of plots: open flowers counted with error; absent plants are not listed."""
    rows = []
    for index, season in enumerate(world.seasons):
        for site, station in enumerate(world.stations):
            every = station.plan.survey_every
            if not every or not _at_work(station, season):
                continue
            for day in range(SURVEY_FIRST + int(rng.integers(0, every)), SURVEY_LAST, every):
                step = day - FIRST_DAY
                density = bloom.flowers_per_ha[index, site, :, step]
                rising = bloom.flowers_per_ha[index, site, :, min(step + 4, DAYS - 1)] > density
                expected = density * SURVEY_AREA_M2 / 10_000
                counted = rng.poisson(expected * rng.lognormal(0, SURVEY_ERROR, density.size))
                listed = np.flatnonzero(counted)
                if not listed.size:
                    listed = np.array([0])
                complete = "yes" if rng.random() < 0.9 else "no"
                for plant in listed:
                    few = (
                        counted[plant] < 0.15 * bloom.flowers_per_ha[index, site, plant].max() / 20
                    )
                    stage = "open" if not few else ("bud" if rising[plant] else "fading")
                    rows.append(
                        {
                            "site": station.site,
                            "date": _date(season, step),
                            "plant": world.plants[plant].name,
                            "open_flowers": int(counted[plant]),
                            "area_m2": int(SURVEY_AREA_M2),
                            "stage": stage,
                            "complete": complete,
                        }
                    )
    return pd.DataFrame(rows)


def _plants(world: World) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "plant": plant.name,
                "nectar_mg_per_flower_day": plant.nectar_mg,
                "low": round(0.6 * plant.nectar_mg, 2),
                "high": round(1.6 * plant.nectar_mg, 2),
                "source": "invented for the simulation",
            }
            for plant in world.plants
        ]
    )


def _feeders(world: World, years: list[Year]) -> pd.DataFrame:
    rows = []
    for year in years:
        for site, station in enumerate(world.stations):
            ports = year.around.ports[site]
            edges = np.flatnonzero(np.diff(np.r_[0.0, (ports > 0).astype(float), 0.0]))
            for start, end in zip(edges[::2], edges[1::2], strict=True):
                number = float(ports[start])
                rows.append(
                    {
                        "site": station.site,
                        "from": _date(year.season, int(start)),
                        "until": _date(year.season, int(end) - 1),
                        "feeders": max(round(number / 4), 1),
                        "ports": round(number),
                        "litres_filled_per_day": round(number * LITRES_PER_PORT, 2),
                        "water_to_sugar": 4,
                        "distance_m": 40,
                        "kept_by": "neighbour" if site % 2 else "us",
                    }
                )
    return pd.DataFrame(rows)


def _weather(world: World, weather: SimulatedWeather, rng: np.random.Generator) -> pd.DataFrame:
    """Daily values by station of the study; instruments fail now and then."""
    sites, days = weather.tmean_c.shape
    failed = rng.random((3, sites, days)) < 0.004
    temperature = np.where(failed[0], np.nan, 1.0)
    columns = {
        "tmin_c": weather.tmin_c * temperature,
        "tmax_c": weather.tmax_c * temperature,
        "dewpoint_c": np.where(failed[1], np.nan, weather.dewpoint_c),
        "rain_mm": np.where(failed[2], np.nan, weather.rain_mm),
        "snow_cm": np.rint(weather.snow_cm),
    }
    names = np.array([station.site for station in world.stations], dtype=object)
    table = {
        "site": np.repeat(names, days),
        "date": np.tile(weather.dates.astype(str).astype(object), sites),
    }
    return pd.DataFrame(table | {name: values.ravel() for name, values in columns.items()})


def _events(world: World) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "site": station.site,
                "from": f"{season}-04-01",
                "until": f"{season}-10-31",
                "kind": kind,
                "note": note,
            }
            for station in world.stations
            for season, kind, note in station.lost
        ]
    )
