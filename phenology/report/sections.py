"""The sections of the report, each built from tables; one without content is left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from phenology.report import figures
from phenology.report.content import Drawing, Figure, Section, Words, points, table
from phenology.report.first_page import first_page
from phenology.report.map import draw_site_map
from phenology.report.methods import methods_section
from phenology.report.rooms import (
    MOST_SENTENCES,
    ROOMS,
    interval_figures,
    labelled,
    pages,
    room_section,
    shown_sites,
)
from phenology.report.tables import SUBJECT, TIMING, is_one_season, said, shown_answers
from phenology.report.words import count_words, day_words, plain, span_words

if TYPE_CHECKING:
    from phenology.assess.assessment import Assessment
    from phenology.study.options import StudyOptions


def build_sections(assessment: Assessment, tables: dict[str, pd.DataFrame]) -> list[Section]:
    """All sections that have something to say, in the order of the report."""
    sections = [
        first_page(assessment, tables),
        when_section(tables, effort_known=assessment.study.effort is not None),
        fuel_section(tables, assessment.study.options),
        *(room_section(room, assessment, tables) for room in ROOMS),
        map_section(tables, assessment.study.options.coarsen_km),
        refused_section(assessment, tables),
        data_section(tables),
        welfare_section(assessment, tables),
        methods_section(assessment),
    ]
    return [section for section in sections if section.blocks]


def when_section(tables: dict[str, pd.DataFrame], *, effort_known: bool) -> Section:
    """Season curves and dates by site, then the dates in a table and in sentences."""
    section = Section(
        "when",
        "When",
        "Days on which birds are present, by group. Dates describe presence at the site, not "
        "captures alone."
        if effort_known
        else "Without an effort sheet these are the dates of captures, not of birds: days without "
        "a capture between the first and the last count as worked in vain.",
    )
    if "curves" not in tables and "timing" not in tables:
        return section
    curves, timing = tables.get("curves"), tables.get("timing")
    sampled, seasons = tables["sampled_days"], tables["seasons_sampled"]
    for number, site in enumerate(shown_sites(tables)):
        if curves is not None:
            section.add(*_curve_figures(curves, sampled, site, number, effort_known))
        if timing is not None:
            section.add(*_date_figures(timing, seasons, site, number))
    left = seasons["site"].nunique() - len(shown_sites(tables))
    if left > 0:
        section.add(
            Words((f"{count_words(left, 'further site')} with fewer birds: see the tables.",))
        )
    if timing is not None:
        section.add(table("timing", "Arrival, peak and departure", _dates_shown(timing)))
        section.add(points(_dates_said(timing)))
    return section


def _curve_figures(
    curves: pd.DataFrame, sampled: pd.DataFrame, site: str, number: int, effort_known: bool
) -> list[Figure]:
    """Season curves at a site, some groups a figure."""
    here = curves[(curves["site"] == site) & is_one_season(curves["season"])]
    if here.empty:
        return []
    season = max(here["season"].astype(str))
    what = "Birds present a day, at typical effort," if effort_known else "Birds caught a day"
    days = "on which someone was there to see" if effort_known else "with a capture"
    drawn = []
    for page, groups in enumerate(pages(here["group"], 150)):
        drawn.append(
            Figure(
                f"season-{number}-{page}",
                figures.draw_season_curves(here[here["group"].isin(groups)], sampled, site, season),
                f"{what} at {plain(site, 60)} in {plain(season, 20)}, by group: line with its "
                "90 % interval, earlier seasons thin behind it; each panel has its own scale, and "
                f"the ticks below it are the days {days}.",
            )
        )
    return drawn


def _date_figures(
    timing: pd.DataFrame, seasons: pd.DataFrame, site: str, number: int
) -> list[Figure]:
    """Dates year by year at a site, some groups a figure."""
    here = timing[timing["site"] == site]
    height = 35 + 20 * seasons["season"].nunique()
    return [
        Figure(
            f"dates-{number}-{page}",
            figures.draw_dates_by_year(here[here["group"].isin(groups)], seasons, site),
            f"Dates by season at {plain(site, 60)}: a line from arrival to departure with the "
            "peak as a mark, hollow where other years or sites taught it, and pale bars for the "
            "90 % interval of each date; a line that begins at its mark has no arrival that can "
            "be told, and a lost season is one that nobody sampled.",
        )
        for page, groups in enumerate(pages(here["group"], height))
    ]


def _dates_shown(timing: pd.DataFrame) -> pd.DataFrame:
    latest_first = timing.sort_values(
        ["season", "site", "group", "role"], ascending=[False, True, True, True]
    )
    shown = latest_first[SUBJECT].copy()
    for quantity in TIMING:
        shown[quantity.removesuffix("_day") + " (90 %)"] = [
            f"{day_words(day, season)} ({span_words(low, high, season)})" if pd.notna(day) else "—"
            for day, low, high, season in latest_first[
                [quantity, f"{quantity}_low", f"{quantity}_high", "season"]
            ].itertuples(index=False)
        ]
    return shown.assign(birds=latest_first["birds"], basis=latest_first["basis"])


def _dates_said(timing: pd.DataFrame) -> list[str]:
    """The peaks of each site's latest season, those with most birds first."""
    yearly = timing[is_one_season(timing["season"])]
    latest = yearly[yearly["season"] == yearly.groupby("site")["season"].transform("max")]
    chosen = latest.dropna(subset=["peak_day"]).sort_values("birds", ascending=False)
    rows = (
        chosen.head(MOST_SENTENCES)
        .assign(quantity="peak_day")
        .rename(columns={"peak_day": "estimate", "peak_day_low": "low", "peak_day_high": "high"})
    )
    return said(rows)


def fuel_section(tables: dict[str, pd.DataFrame], options: StudyOptions) -> Section:
    """Fuel by group and by day, lean mass under it, the table and the sentences."""
    section = Section(
        "fuel",
        "Fuel",
        "Fuel load is what a bird weighs beyond its lean mass, as a share of lean mass. Lean mass "
        "is the expected mass of a bird of that size, species, sex and age with no fat, an empty "
        "crop, at sunrise. Fuel at first capture is what the bird brought; little fuel in a "
        "breeding local bird is normal.",
    )
    fuel, birds = tables.get("fuel"), tables.get("single_birds")
    if fuel is not None:
        drawn = labelled(fuel, options)
        section.add(
            *interval_figures(
                drawn,
                "group",
                "fuel-groups",
                "mean fuel load, share of lean mass",
                "Mean fuel load by group and place with its 90 % interval: further right is "
                "fatter; a hollow mark leans on other years or sites.",
                none=0.0,
                number_format="%",
            )
        )
    if birds is not None and "fuel_load" in birds:
        section.add(
            Figure(
                "fuel-days",
                figures.draw_fuel_by_day(birds),
                "Every bird's fuel load by day of year, all seasons and sites together: look for "
                "the rise before departure.",
            )
        )
    if birds is not None and {"lean_mass_g", "wing_mm", "mass_g"} <= set(birds):
        section.add(
            Figure(
                "lean-mass",
                figures.draw_lean_mass(birds),
                "Lean mass against wing length (marks) and what each bird weighed (upper end of "
                "its line): the line between is its fuel; a line that hangs below its mark is a "
                "bird lighter than expected.",
            )
        )
    if fuel is not None:
        section.add(table("fuel", "Mean fuel load", shown_answers(fuel)))
        if "fuel_classes" in tables:
            classes = shown_answers(tables["fuel_classes"])
            section.add(table("fuel_classes", "Fuel of each fat class, at sunrise", classes))
        if "lean_mass" in tables:
            lean = shown_answers(tables["lean_mass"])
            section.add(table("lean_mass", "Lean mass at the group's mean size", lean))
        most = fuel.sort_values("birds", ascending=False).head(MOST_SENTENCES)
        section.add(points(said(most)))
    return section


def map_section(tables: dict[str, pd.DataFrame], coarsen_km: float) -> Section:
    """The sites on a map, then their table."""
    sites = tables["sites"]
    section = Section("sites", "Sites")
    coarse = "A square marks a site whose place is shown only to within its side. "
    section.add(
        Drawing(
            "site-map",
            draw_site_map(sites, coarsen_km),
            (coarse if sites["sensitive"].any() else "")
            + "Sites on their country; the small map shows where that is. Outlines: Natural "
            "Earth.",
        )
    )
    digits = sites["sensitive"].map({True: 1, False: 3})
    shown = sites.assign(
        **{
            name: [f"{value:.{places}f}" for value, places in zip(sites[name], digits, strict=True)]
            for name in ("latitude", "longitude")
        }
    )
    section.add(
        table(
            "sites",
            f"Sites; a sensitive one is moved to the middle of a square of {coarsen_km:g} km",
            shown.rename(columns={"sensitive": "coarsened"}),
        )
    )
    return section


def refused_section(assessment: Assessment, tables: dict[str, pd.DataFrame]) -> Section:
    """What was asked and could not be answered."""
    section = Section(
        "not-answered",
        "What could not be answered, and why",
        "A number that the data cannot carry is not printed. These are the questions, the reasons "
        "and what would help.",
    )
    if assessment.narrowed:
        section.add(points(list(assessment.narrowed), "What absent records cost"))
    refused = tables.get("refused")
    if refused is not None:
        asked = ["quantity", "outcome", "driver", "reason"]
        gathered = refused.groupby(asked, sort=False).agg(
            answers=("quantity", "size"),
            groups=("group", _listed),
            sites=("site", _listed),
            seasons=("season", _listed),
        )
        shown = gathered.reset_index().sort_values("answers", ascending=False)
        filled = [name for name in shown if name not in ("outcome", "driver") or shown[name].any()]
        shown["quantity"] = shown["quantity"].str.replace("_", " ")
        section.add(table("refused", "Questions without an answer", shown[filled]))
    return section


def _listed(values: pd.Series[str], most: int = 4) -> str:
    names = sorted({str(value) for value in values if value})
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(plain(name, 60) for name in names[:most]) + more


def data_section(tables: dict[str, pd.DataFrame]) -> Section:
    """What went in: rows, effort by day, doubts, rows set aside, what taught the answers."""
    section = Section(
        "data",
        "Data",
        "Every row read was either used or set aside; the sheets themselves are never changed. "
        "Single findings, with the values as written, are in private/findings.csv.",
    )
    if "sampled_days" in tables:
        sampled, seasons = tables["sampled_days"], tables["seasons_sampled"]
        for page, sites in enumerate(pages(seasons["site"], 35 + 18 * seasons["season"].nunique())):
            section.add(
                Figure(
                    f"effort-{page}",
                    figures.draw_effort_calendar(
                        sampled[sampled["site"].isin(sites)], seasons[seasons["site"].isin(sites)]
                    ),
                    "Every day sampled, darker for more device-hours: gaps and lost seasons are "
                    "where nothing can be seen."
                    if sampled["hours"].notna().any()
                    else "Every day with a capture; hours worked were not written down, so a gap "
                    "may be a day without work or without birds.",
                )
            )
    if "findings" in tables:
        section.add(
            Figure(
                "findings",
                figures.draw_findings(tables["findings"]),
                "Doubts about the sheets by kind: only the impossible was blanked, the doubtful "
                "was kept and flagged.",
            )
        )
    if "learning" in tables:
        section.add(
            Figure(
                "learning",
                figures.draw_learning(tables["learning"]),
                "What taught the answers at each site: own is that site and year itself, borrowed "
                "is other years and sites, assumed is what was held beforehand.",
            )
        )
    for name, caption in (
        ("rows", "Rows by sheet"),
        ("seasons_sampled", "Effort by site and season; device-hours are traps times hours"),
        ("findings", "Findings by kind"),
        ("set_aside", "Rows set aside, by reason"),
    ):
        if name in tables:
            section.add(table(name, caption, _data_shown(tables[name])))
    return section


def _data_shown(rows: pd.DataFrame) -> pd.DataFrame:
    if "kind" in rows:
        return rows.assign(kind=rows["kind"].str.replace("_", " "))
    if "first_day" not in rows:
        return rows
    dates = {
        name: [
            day_words(day, season) if pd.notna(day) else None
            for day, season in zip(rows[name], rows["season"], strict=True)
        ]
        for name in ("first_day", "last_day")
    }
    return rows.assign(**dates)


def welfare_section(assessment: Assessment, tables: dict[str, pd.DataFrame]) -> Section:
    """Counts of harm and handling, and the cautions that go with every number here."""
    section = Section("welfare", "Welfare and permit")
    welfare = tables.get("welfare")
    if welfare is not None:
        section.add(
            table(
                "welfare",
                "Captures, harm and handling by species; time in hand is release less capture, in "
                "minutes",
                welfare,
            )
        )
        noted, captures = int(welfare["state_noted"].sum()), int(welfare["captures"].sum())
        harmed = int(welfare["injured"].sum() + welfare["died"].sum())
        section.add(
            Words(
                (
                    f"{count_words(harmed, 'bird')} injured or dead among {noted:,} whose state at "
                    f"release was written down, of {captures:,} captures."
                    if noted
                    else "The state of birds at release was not written down, so no rate of harm "
                    "can be told. Note it for every bird, also when it is well.",
                )
            )
        )
    section.add(points(_cautions(assessment), "Cautions"))
    return section


def _cautions(assessment: Assessment) -> list[str]:
    cautions = [
        "Nothing here authorises capture: permits, trained hands and the permit's limits of "
        "weather and handling come first.",
        "The estimates support, and do not replace, the judgement of licensed practitioners and "
        "managers.",
    ]
    effort = assessment.study.effort
    baited = effort is not None and effort.reindex(columns=["baited"])["baited"].eq(True).any()
    if baited or "feeders" in assessment.study.sheets:
        cautions.append(
            "Feeders: clean them and renew the solution; in a bloom failure or a cold snap taper "
            "rather than stop; bring them in at night where bears are about; local regulation "
            "goes first."
        )
    return cautions
