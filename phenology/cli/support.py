"""`site-support scenario` and `compare`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from phenology.cli.shown import StudyFolder, print_table, visible
from phenology.errors import StudyError

if TYPE_CHECKING:
    import pandas as pd

    from phenology.assess.finished import FinishedRun
    from phenology.report.content import Section

Form = Annotated[
    Literal["table", "csv", "json", "html"],
    typer.Option("--format", help="What to print on standard output."),
]


def add_commands(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(scenario)
    app.command()(compare)


def scenario(
    study: StudyFolder,
    bloom: Annotated[
        str | None, typer.Option(help="normal, half, double, or a share of normal such as 40%.")
    ] = None,
    monsoon: Annotated[
        str | None, typer.Option(help="normal, or days later or earlier: +14d, -7d.")
    ] = None,
    feeders: Annotated[str | None, typer.Option(help="none (between sessions) or up.")] = None,
    beside: Annotated[
        list[str] | None,
        typer.Option(help="Another scenario in one text, 'bloom half, feeders none'; repeatable."),
    ] = None,
    season: Annotated[str | None, typer.Option(help="Season whose birds. Default: all.")] = None,
    site: Annotated[str, typer.Option(help="Site whose birds. Default: all.")] = "",
    out: Annotated[
        Path | None, typer.Option(help="Folder of the run. Default: STUDY/results.")
    ] = None,
    form: Form = "table",
) -> None:
    """Tell what the same birds on the same days would have shown under other conditions.

    Reads a finished run. What lies beyond the data is marked; what cannot be told is refused.

    Example: site-support scenario data_examples/four_stations --bloom half --season 2034
    """
    from phenology.assess.scenario import tell_scenarios
    from phenology.assess.scenario_words import parse_scenario, parse_scenario_words
    from phenology.estimates import Estimates
    from phenology.report.scenario_told import (
        EXPLAINED,
        scenario_section,
        scenario_sentences,
        scenario_table,
    )

    asked = [parse_scenario_words(words, season) for words in beside or []]
    if not asked or any(word is not None for word in (bloom, monsoon, feeders)):
        asked.insert(0, parse_scenario(bloom, monsoon, feeders, season))
    run = _opened(study, out)
    if run.support is None:
        raise StudyError(
            "No outcome of this study could be fitted, so no scenario can be told.",
            "The report says of each outcome what is lacking.",
        )
    answers = Estimates()
    tell_scenarios(run.support, asked, answers, site)
    told = answers.table()
    if form == "html":
        place = f"{'all seasons' if season is None else season}{f' at {site}' if site else ''}"
        _print_page(run.options.name, [scenario_section(told, place)])
    elif form == "table":
        print_table(scenario_table(told))
        if (told["basis"] == "extrapolated").any():
            typer.echo(EXPLAINED + ".")
        _print_lines(scenario_sentences(told))
    else:
        _print_rows(told, form)


def compare(
    studies: Annotated[
        list[Path], typer.Argument(metavar="STUDY...", help="Folders of studies, or of their runs.")
    ],
    outcome: Annotated[
        str, typer.Option(metavar="OUTCOME", help="One outcome alone, such as young_per_adult.")
    ] = "",
    form: Form = "table",
) -> None:
    """Set sites side by side: one study with many sites, or several studies.

    Reads finished runs. Few birds do not win: each site is drawn to the others by how little it
    is known. Studies are compared only on what is comparable. As a page (--format html) a map
    shades each site by the chance that it lies above the others, by the outcome asked for.

    Example: site-support compare data_examples/four_stations
    """
    from phenology.assess.comparison import compare_studies, compared_sites
    from phenology.report.comparison_told import (
        comparison_section,
        comparison_sentences,
        comparison_table,
    )

    runs = {}
    for folder in studies:
        run = _opened(folder, None)
        name = run.options.name
        if name in runs:
            name = f"{name} ({folder.name})"
        if name in runs:
            raise StudyError(f"{folder} is named twice.")
        runs[name] = run
    levels, chances, reasons = compare_studies(runs)
    if outcome:
        told = sorted(levels["outcome"].unique())
        if outcome not in told:
            raise StudyError(
                f"No site has the outcome '{outcome}'.", f"There are: {', '.join(told)}."
            )
        levels, chances = (table[table["outcome"] == outcome] for table in (levels, chances))
        reasons = [reason for reason in reasons if reason.startswith(f"{outcome},")]
    if form == "html":
        sites = compared_sites(runs)
        _print_page(", ".join(runs), [comparison_section(levels, chances, reasons, sites)])
    elif form == "table":
        print_table(comparison_table(levels, chances))
        _print_lines([*comparison_sentences(chances), *reasons])
    else:
        ranks = chances.drop_duplicates(["outcome", "role", "site"])
        kept = ["outcome", "role", "site", "rank", "rank_low", "rank_high"]
        _print_rows(levels.merge(ranks[kept], how="left"), form)


def _opened(study: Path, out: Path | None) -> FinishedRun:
    """A finished run; what has changed since is said on standard error first."""
    from phenology.assess.finished import read_run

    run = read_run(study, out)
    for told in run.changed:
        sys.stderr.write(visible(told) + "\n")
    if run.changed:
        sys.stderr.write("The answers below are of the sheets as they were: run it again.\n")
    return run


def _print_lines(lines: list[str]) -> None:
    for line in lines:
        typer.echo(visible(line))


def _print_rows(table: pd.DataFrame, form: str) -> None:
    from phenology.csv_text import csv_text

    json = table.to_json(orient="records", indent=1, force_ascii=False, double_precision=10)
    sys.stdout.write(csv_text(table) if form == "csv" else f"{json}\n")


def _print_page(title: str, sections: list[Section]) -> None:
    from phenology.report.report import render_page

    sys.stdout.write(render_page(title, sections))
