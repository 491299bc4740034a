"""`site-support forecast`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from phenology.cli.shown import StudyFolder, compute_shown


def add_commands(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(forecast)


def forecast(
    study: StudyFolder,
    season: Annotated[int, typer.Option(help="Year in which the season begins.")],
    issued: Annotated[
        str | None,
        typer.Option(
            help="Day of issue, 2031-07-04; nothing later is used. Default: last day worked."
        ),
    ] = None,
    days: Annotated[str, typer.Option(help="Weekdays to choose from: sat,sun. Default: all.")] = "",
    closed: Annotated[
        list[str] | None, typer.Option("--not", help="A date on which nobody can come.")
    ] = None,
    effort: Annotated[
        float | None,
        typer.Option(help="Device-hours of a day. Default: the site's usual.", min=0.5),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the page. Default: STUDY/forecast.")
    ] = None,
    past: Annotated[int, typer.Option(help="Past seasons scored.", min=0, max=20)] = 3,
    seed: Annotated[int | None, typer.Option(help="Overrides study.toml.", min=0)] = None,
    jobs: Annotated[int, typer.Option(help="Models fitted at once.", min=1)] = 2,
    format_: Annotated[
        Literal["text", "csv"], typer.Option("--format", help="What goes to the screen.")
    ] = "text",
) -> None:
    """Expect captures by day and rank the days.

    Example: site-support forecast data_examples/four_stations --season 2042 --issued 2042-07-20
    --days sat,sun --past 1 --out forecast
    """
    result = compute_shown(
        "forecast",
        tell=format_ == "text",
        study=study,
        season=season,
        issued=issued,
        days=days,
        closed=list(closed or []),
        effort=effort,
        out=out,
        past=past,
        seed=seed,
        jobs=jobs,
    )
    typer.echo(
        result["days"] if format_ == "csv" else f"Page: {result['page']}", nl=format_ != "csv"
    )
