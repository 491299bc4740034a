"""`site-support simulate`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from phenology.cli.shown import compute_shown


def add_commands(app: typer.Typer) -> None:
    """Add the command of this file."""
    app.command()(simulate)


def simulate(
    out: Annotated[Path, typer.Option(help="Folder for the study and its truth.")],
    seed: Annotated[int, typer.Option(min=0)] = 1,
    sites: Annotated[int, typer.Option(min=1, max=200)] = 4,
    seasons: Annotated[int, typer.Option(min=1, max=60)] = 12,
    numbers: Annotated[
        Literal["following_bloom", "constant"], typer.Option(help="Birds from year to year.")
    ] = "following_bloom",
    catchability: Annotated[
        Literal["following_bloom", "constant"], typer.Option(help="At baited traps.")
    ] = "following_bloom",
    feeders: Annotated[
        Literal["by_chance", "by_quality", "never_varying"], typer.Option(help="Where they hang.")
    ] = "by_chance",
) -> None:
    """Simulate invented seasons, bird by bird, with the truth beside the sheets.

    Example: site-support simulate --seed 7 --sites 2 --seasons 3 --out invented
    """
    compute_shown(
        "simulate",
        out=out,
        seed=seed,
        sites=sites,
        seasons=seasons,
        numbers=numbers,
        catchability=catchability,
        feeders=feeders,
    )
