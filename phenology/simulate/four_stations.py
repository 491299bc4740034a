"""The example: four invented mountain stations, twelve seasons, two of them lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from phenology.models.simulated_season import SimulatedStudy, simulate
from phenology.models.simulated_season_world import Plan, Station, World
from phenology.simulate.mistakes import MISTAKES, plant_mistakes
from phenology.simulate.surroundings import fires_geojson, habitat_geojson
from phenology.simulate.write import write_study, written_sheets

SEED = 2031
NAME = "Four invented stations"
SEASONS = tuple(range(2031, 2043))
FLOOD, SHORT_OF_STAFF = 2035, 2039
TRUTH = ("stays", "captures", "numbers", "timing", "monsoon", "planted_mistakes")

FLOODED = (FLOOD, "flood", "the access road was washed out; no station worked")
UNSTAFFED = (SHORT_OF_STAFF, "closure", "too few hands for a season")

STATIONS = (
    Station(
        site="kettle",
        name="Kettlewater Meadow",
        latitude=29.412,
        longitude=-108.236,
        elevation_m=2140.0,
        plan=Plan(
            first_day=184,
            last_day=270,
            every_days=2,
            traps=2,
            hours=4.5,
            hours_sd=0.7,
            capacity=36,
            count_every=7,
            survey_every=7,
        ),
        quality=1.1,
        passage_km=1500.0,
        mass_step_g=0.01,
        lost=(FLOODED, UNSTAFFED),
    ),
    Station(
        site="lantern",
        name="Lantern Rock Camp",
        latitude=29.731,
        longitude=-108.402,
        elevation_m=1820.0,
        plan=Plan(
            first_day=121,
            last_day=277,
            every_days=7,
            traps=2,
            nets=2,
            net_every=2,
            hours=4.0,
            hours_sd=0.5,
            survey_every=14,
        ),
        quality=0.95,
        passage_km=1460.0,
        mass_step_g=0.1,
        lost=(FLOODED, UNSTAFFED),
    ),
    Station(
        site="sallow",
        name="Sallow Gap",
        latitude=29.958,
        longitude=-108.118,
        elevation_m=2360.0,
        plan=Plan(first_day=229, every_days=0, jitter_days=3, traps=4, hours=5.0, survey_every=0),
        quality=0.8,
        passage_km=1430.0,
        mass_step_g=0.01,
        sensitive=True,
        lost=(FLOODED,),
    ),
    Station(
        site="weir",
        name="Weir Hollow",
        latitude=29.187,
        longitude=-108.541,
        elevation_m=1650.0,
        plan=Plan(first_day=219, every_days=0, jitter_days=4, traps=4, hours=4.5, survey_every=28),
        quality=0.9,
        passage_km=1530.0,
        mass_step_g=0.1,
        lost=(FLOODED,),
    ),
)

WORLD = World(stations=STATIONS, seasons=SEASONS, feeders="by_chance")


OFTEN = (
    "decimal_shifted",
    "digits_swapped",
    "columns_swapped",
    "implausible",
    "unknown_species",
    "new_again",
    "never_banded",
    "outside_session",
    "row_twice",
)


def simulate_example() -> SimulatedStudy:
    """Simulate the example from its seed."""
    return simulate(WORLD, SEED)


def write_example(folder: Path) -> None:
    """Write the example: sheets with mistakes planted, habitat, the truth, the mistakes.

    Parameters
    ----------
    folder : Path
    """
    simulated = simulate_example()
    sheets, planted = plant_mistakes(
        written_sheets(simulated), np.random.default_rng([SEED, 99]), (*MISTAKES, *OFTEN)
    )
    with_mistakes = replace(simulated, truth=simulated.truth | {"planted_mistakes": planted})
    layers = {"habitat": habitat_geojson(STATIONS, SEED), "events": fires_geojson(STATIONS, SEED)}
    write_study(
        with_mistakes,
        folder,
        truth=TRUTH,
        caught_only=True,
        sheets=sheets,
        layers=layers,
        name=NAME,
    )
