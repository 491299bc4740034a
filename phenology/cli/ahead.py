"""`site-support forecast` and `plan`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from phenology.cli.shown import StudyFolder, compute_shown


def add_commands(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(forecast)
    app.command()(plan)


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


def plan(
    study: StudyFolder,
    days: Annotated[
        list[int] | None, typer.Option(help="Days a season at each site; several may be given.")
    ] = None,
    sites: Annotated[list[int] | None, typer.Option(help="Sites; several may be given.")] = None,
    seasons: Annotated[
        list[int] | None, typer.Option(help="Seasons; several may be given.")
    ] = None,
    spend: Annotated[
        int | None, typer.Option(help="Days to spend in all: recommends how.", min=1)
    ] = None,
    species: Annotated[str | None, typer.Option(help="Default: the one caught most.")] = None,
    studies: Annotated[int, typer.Option(help="Simulated under each plan.", min=4)] = 20,
    results: Annotated[
        Path | None, typer.Option(help="The finished run. Default: STUDY/results.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the page. Default: STUDY/plan.")
    ] = None,
    jobs: Annotated[int, typer.Option(help="Plans fitted at once.", min=1)] = 2,
    format_: Annotated[
        Literal["text", "csv"], typer.Option("--format", help="What goes to the screen.")
    ] = "text",
) -> None:
    """Tell what more days, sites or seasons would show.

    Reads a finished run.
    Stopped, it goes on from the plans it has finished.

    Example: site-support plan data_examples/four_stations --results report --days 10 --days 20
    --sites 4 --seasons 3 --studies 4 --out plan
    """
    result = compute_shown(
        "plan",
        tell=format_ == "text",
        study=study,
        results=results,
        days=list(days or []),
        sites=list(sites or []),
        seasons=list(seasons or []),
        spend=spend,
        species=species,
        studies=studies,
        out=out,
        jobs=jobs,
    )
    typer.echo(
        result["table"] if format_ == "csv" else f"Page: {result['page']}", nl=format_ != "csv"
    )
