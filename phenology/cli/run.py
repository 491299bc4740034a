"""`site-support run`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from phenology.cli.shown import StudyFolder, compute_shown


def add_commands(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(run)


def run(
    study: StudyFolder,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the output. Default: STUDY/results.")
    ] = None,
    seed: Annotated[int | None, typer.Option(help="Overrides study.toml.", min=0)] = None,
    jobs: Annotated[int, typer.Option(help="Models fitted at once.", min=1)] = 2,
    scheduler: Annotated[
        str | None,
        typer.Option(
            help="A running Dask scheduler, tcp://HOST:PORT, for a study of many regions."
        ),
    ] = None,
) -> None:
    """Make findings, models and the report.

    Example: site-support run data_examples/four_stations --out report
    """
    result = compute_shown("run", study=study, out=out, seed=seed, jobs=jobs, scheduler=scheduler)
    typer.echo(f"Report: {result['report']}")
