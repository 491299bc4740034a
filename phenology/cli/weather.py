"""`site-support weather` and `monsoon`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from phenology.cli.shown import StudyFolder, print_table, shown_progress, visible

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from phenology.study.study import Study
    from phenology.weather.monsoon import MonsoonYears


MONSOON_COLUMNS = [
    "site",
    "season",
    "onset_day",
    "onset_low",
    "onset_high",
    "season_rain_mm",
    "spi",
    "agreement",
]


def add_commands(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(weather)
    app.command()(monsoon)


def weather(
    study: StudyFolder,
    offline: Annotated[bool, typer.Option(help="Open no connection; show what is held.")] = False,
) -> None:
    """Choose weather stations and fetch what is missing; the only command that uses the network.

    Stop it with Ctrl-C and run it again: it goes on from there.

    Example: site-support weather my_station
    """
    from phenology.study.study import open_study
    from phenology.weather.commands import prepare_weather

    opened = open_study(study)
    with shown_progress() as progress:
        tables = prepare_weather(
            opened.options,
            opened.sites,
            _dates(opened),
            offline=offline,
            progress=lambda done, number, name: progress(name, done / max(number, 1)),
        )
    print_table(tables.stations, "Stations considered")
    print_table(tables.coverage, "Share of days by status")
    for note in (*tables.notes, tables.attribution):
        typer.echo(visible(note))


def monsoon(
    study: StudyFolder,
    threshold_c: Annotated[
        float | None,
        typer.Option(help="Dew point that counts as moist. Default: study.toml's, else learned."),
    ] = None,
    run_days: Annotated[
        int | None, typer.Option(help="Moist days in a row. Default: study.toml's, else 3.", min=1)
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Page to write the calendars of moist days to.")
    ] = None,
) -> None:
    """Tell onset and strength of the monsoon by year; draw the calendar of moist days.

    Example: site-support monsoon data_examples/four_stations --out monsoon.html
    """
    from phenology.study.study import open_study
    from phenology.weather.commands import study_monsoon

    opened = open_study(study)
    with shown_progress() as progress:
        found, weather = study_monsoon(
            opened.options,
            opened.sites,
            opened.sheets.get("weather"),
            _dates(opened),
            threshold_c=threshold_c,
            run_days=run_days,
            progress=lambda done, number: progress("Monsoon", done / max(number, 1)),
        )
    print_table(found.years[MONSOON_COLUMNS])
    if out is not None:
        _write_calendars(out, opened, weather, found)
        typer.echo(visible(str(out)))


def _write_calendars(out: Path, opened: Study, weather: xr.Dataset, found: MonsoonYears) -> None:
    from phenology.errors import StudyError
    from phenology.report.content import Section
    from phenology.report.drivers import monsoon_figures
    from phenology.report.report import render_page

    section = Section("monsoon", "Monsoon")
    section.add(*monsoon_figures(weather, found, opened.sites["site"].astype(str).tolist()))
    page = render_page(f"Monsoon, {opened.options.name}", [section])
    try:
        out.write_text(page, encoding="utf-8")
    except OSError as error:
        raise StudyError(f"{out} cannot be written: {error.strerror or error}.") from None


def _dates(opened: Study) -> pd.DatetimeIndex:
    from phenology.weather.source import weather_dates

    sampled = opened.captures["date"]
    return weather_dates(opened.options, opened.sheets.get("weather"), sampled.min(), sampled.max())
