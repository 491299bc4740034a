"""Simulated studies as folders: the sheets that banders would hand over, and the truth beside."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from phenology.simulate.write import write_study

if TYPE_CHECKING:
    from pathlib import Path

    from phenology.compute import Progress

__all__ = ["simulate_study", "simulate_task", "write_study"]


def simulate_study(
    folder: Path, seed: int, *, sites: int = 4, seasons: int = 12, **options: Any
) -> None:
    """Simulate a plain study of like stations and put it, whole, in the place of `folder`.

    Parameters
    ----------
    folder : Path
        Where the study goes; its parent is made if need be. A study that was simulated there
        before is replaced.
    seed : int
    sites, seasons : int
        How many.
    **options
        Options of `phenology.models.simulated_season_world.World`: numbers, catchability,
        feeders, equal_fuel, monsoon_effect, flower_scale.

    Raises
    ------
    StudyError
        If an option has an unknown value, or the folder holds something else or cannot be
        written.
    """
    from phenology.models.simulated_season import simulate
    from phenology.publish import publish
    from phenology.simulate.options import checked_world

    world = checked_world(sites, seasons, options)
    with publish(folder) as build:
        write_study(simulate(world, seed), build)


def simulate_task(
    progress: Progress, seed: int, out: str, sites: int = 4, seasons: int = 12, **options: Any
) -> dict[str, Any]:
    """Simulate a study for the command line; returns what to tell the user.

    Raises
    ------
    StudyError
        As `simulate_study`.
    """
    from pathlib import Path

    progress("Simulating seasons", 0.0)
    simulate_study(Path(out), seed, sites=sites, seasons=seasons, **options)
    return {"study": out, "told": [f"A study of {sites} sites and {seasons} seasons: {out}."]}
