"""A large invented study: regions of like stations, each simulated apart, in one set of sheets."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from phenology.compute import quiet
from phenology.models.simulated_season import simulate
from phenology.models.simulated_season_world import Plan, make_world
from phenology.publish import publish
from phenology.simulate.write import csv_lines, study_toml, write_manifest, written_sheets

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from phenology.compute import Progress
    from phenology.models.simulated_season_world import World

PLAN = Plan(  # some 80,000 captures in 20 seasons of 8 stations
    first_day=150,
    last_day=277,
    every_days=4,
    traps=3,
    nets=2,
    capacity=60,
    hours=5.0,
    count_every=14,
)
EAST_DEGREES = 4.0  # from one region to the next
WITHOUT_A_SITE = ("plants",)  # sheets that are alike in every region


def simulate_regions(
    folder: Path,
    regions: int,
    seed: int,
    *,
    sites: int = 8,
    seasons: int = 20,
    plan: Plan = PLAN,
    progress: Progress = quiet,
) -> None:
    """Simulate region after region and append its sheets: memory holds one region at a time.

    Parameters
    ----------
    folder : Path
        Where the study goes, whole; one that was simulated there before is replaced.
    regions : int
    seed : int
        Each region has a seed of its own, told from this one and its number.
    sites, seasons : int
        Of each region.
    plan : Plan
        How every station works.
    progress : callable

    Raises
    ------
    StudyError
        If the folder holds something else or cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> import pandas as pd
    >>> few = Plan(first_day=200, last_day=215, every_days=7, survey_every=0)
    >>> with TemporaryDirectory() as place:
    ...     simulate_regions(Path(place) / "wide", 2, 1, sites=1, seasons=1, plan=few)
    ...     pd.read_csv(Path(place) / "wide" / "sites.csv")["region"].tolist()
    ['region 1', 'region 2']
    """
    with publish(folder) as build:
        written: set[str] = set()
        for number in range(1, regions + 1):
            progress(f"Simulating regions: {number} of {regions}", (number - 1) / regions)
            world = _world(number, make_world(sites, seasons, plan=plan))
            own_seed = int(np.random.SeedSequence([seed, number]).generate_state(1)[0])
            sheets = written_sheets(simulate(world, own_seed))
            for kind, sheet in _of_region(sheets, number).items():
                begun = kind in written
                if begun and kind in WITHOUT_A_SITE:
                    continue
                lines = csv_lines(sheet)
                with (build / f"{kind}.csv").open("ab") as file:
                    file.write((lines.partition("\n")[2] if begun else lines).encode())
                written.add(kind)
        toml = study_toml(world, f"{regions} invented regions")
        (build / "study.toml").write_text(toml, encoding="utf-8")
        write_manifest(build, ["study.toml", *(f"{kind}.csv" for kind in written)])


def _world(number: int, world: World) -> World:
    """The same stations farther east, under names of their own."""
    stations = tuple(
        replace(
            station,
            site=f"r{number}{station.site}",
            name=f"{station.name} of region {number}",
            longitude=station.longitude + EAST_DEGREES * (number - 1),
        )
        for station in world.stations
    )
    return replace(world, stations=stations)


def _of_region(sheets: dict[str, pd.DataFrame], number: int) -> dict[str, pd.DataFrame]:
    """Sheets with the region named, and band numbers that no other region has."""
    captures = sheets["captures"]
    bands = captures["band"].str.replace("TEST", f"TEST{number}", regex=False)
    return sheets | {
        "captures": captures.assign(band=bands),
        "sites": sheets["sites"].assign(region=f"region {number}"),
    }
