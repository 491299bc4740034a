"""`site-support check`, `codes`, `new`, `permit` and `export`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

from phenology.cli.shown import StudyFolder, print_table
from phenology.errors import StudyError


def add_commands(app: typer.Typer) -> None:
    """Add the commands of this file."""
    for command in (check, codes, new, permit, export):
        app.command()(command)


def check(
    study: StudyFolder,
    form: Annotated[
        Literal["table", "csv", "json", "html"],
        typer.Option("--format", help="What to print on standard output."),
    ] = "table",
    strict: Annotated[bool, typer.Option(help="End with exit code 1 on any finding.")] = False,
) -> None:
    """List every doubt about the sheets, with its cell.

    Example: site-support check data_examples/four_stations
    """
    from phenology.sheets.told import count_findings, findings_csv, findings_html, findings_json
    from phenology.study.study import open_study

    opened = open_study(study)
    findings = opened.findings
    if form == "csv":
        sys.stdout.write(findings_csv(findings))
    elif form == "json":
        sys.stdout.write(findings_json(findings))
    elif form == "html":
        sys.stdout.write(findings_html(findings, opened.options.name))
    else:
        print_table(count_findings(findings))
        for sheet, rows in opened.rows.items():
            typer.echo(
                f"{sheet}: {rows['read']} rows read, {rows['used']} used, "
                f"{rows['set_aside']} set aside"
            )
    if strict and len(findings):
        raise typer.Exit(1)


def codes(
    study: Annotated[
        Path | None, typer.Argument(metavar="[STUDY]", help="Show this study's codes too.")
    ] = None,
    columns: Annotated[
        bool, typer.Option("--columns", help="Show every column of every sheet instead.")
    ] = False,
) -> None:
    """Show what each field code means, column by column.

    Example: site-support codes
    """
    import pandas as pd

    from phenology.sheets.contract import column_reference

    if columns:
        print_table(pd.DataFrame(column_reference()))
        return

    from phenology.sheets.codes import list_codes
    from phenology.study.options import read_options

    options = read_options(study / "study.toml") if study else None
    listed = list(list_codes(options))
    print_table(pd.DataFrame(listed, columns=["sheet", "column", "code", "means"]))


def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A folder that is not there.")],
) -> None:
    """Make a study folder with a workbook to print and to type into.

    Example: site-support new my_station
    """
    from phenology.study.new_study import make_study

    for path in make_study(folder):
        typer.echo(str(path))


def permit(
    study: StudyFolder,
    year: Annotated[int, typer.Option(help="Calendar year.")],
    form: Annotated[Literal["table", "csv"], typer.Option("--format")] = "table",
) -> None:
    """Count a permit's year: bands, captures, incidents, effort, banders.

    Example: site-support permit data_examples/four_stations --year 2034
    """
    from phenology.csv_text import csv_text
    from phenology.study.permit_year import permit_year
    from phenology.study.study import open_study

    table = permit_year(open_study(study), year)
    if form == "csv":
        sys.stdout.write(csv_text(table))
    else:
        print_table(table)


def export(
    study: StudyFolder,
    darwin_core: Annotated[
        Path | None, typer.Option(metavar="OUT.zip", help="Darwin Core archive.")
    ] = None,
    table: Annotated[
        Path | None, typer.Option(metavar="OUT.parquet", help="Used captures as one table.")
    ] = None,
) -> None:
    """Write the captures for other programs; sensitive sites are coarsened.

    Example: site-support export data_examples/four_stations --darwin-core birds.zip
    """
    from phenology.study.export import write_capture_table, write_darwin_core
    from phenology.study.study import open_study

    if darwin_core is None and table is None:
        raise StudyError("Nothing to export.", "Give --darwin-core OUT.zip or --table OUT.parquet.")
    opened = open_study(study)
    if darwin_core is not None:
        write_darwin_core(opened, darwin_core)
        typer.echo(str(darwin_core))
    if table is not None:
        write_capture_table(opened, table)
        typer.echo(str(table))
