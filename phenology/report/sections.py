"""The sections of the report, each built from tables; one without content is left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from phenology.quantities import CAPTURES
from phenology.report import figures
from phenology.report.content import Block, Drawing, Figure, Section, Words, points, table
from phenology.report.data import data_section
from phenology.report.drivers import habitat_blocks
from phenology.report.first_page import first_page
from phenology.report.map import draw_site_map
from phenology.report.methods import methods_section
from phenology.report.panels import interval_figures, panelled
from phenology.report.rooms import (
    MOST_SENTENCES,
    ROOMS,
    compare_section,
    room_section,
)
from phenology.report.support_section import support_section
from phenology.report.tables import said, shown_answers
from phenology.report.when import when_section
from phenology.report.words import count_words, plain

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
        compare_section(assessment, tables),
        support_section(tables),
        map_section(assessment, tables),
        refused_section(assessment, tables),
        data_section(tables),
        welfare_section(assessment, tables),
        methods_section(assessment),
    ]
    return [section for section in sections if section.blocks]


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
        drawn = panelled(fuel, options)
        section.add(
            *interval_figures(
                drawn,
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
    gains = tables.get("gains")
    if gains is not None:
        section.add(
            Figure(
                "gain-days",
                figures.draw_gain(gains),
                "Gain of mass by day of stay, of birds weighed again (marks) and the median of "
                "days with five birds or more (line): these are the birds that stayed; those "
                "that gained fast have left.",
            )
        )
    if fuel is not None:
        section.add(table("fuel", "Mean fuel load", shown_answers(fuel), folded=True))
        if "fuel_at_departure" in tables:
            leaving = tables["fuel_at_departure"]
            section.add(
                table("fuel_at_departure", "At departure", shown_answers(leaving), folded=True),
                points(said(leaving)),
            )
        if "fuel_classes" in tables:
            classes = shown_answers(tables["fuel_classes"])
            section.add(
                table("fuel_classes", "Fuel of each fat class, at sunrise", classes, folded=True)
            )
        if "lean_mass" in tables:
            lean = shown_answers(tables["lean_mass"])
            section.add(table("lean_mass", "Lean mass at the group's mean size", lean, folded=True))
        most = fuel.sort_values("birds", ascending=False).head(MOST_SENTENCES)
        section.add(points(said(most)))
    return section


def map_section(assessment: Assessment, tables: dict[str, pd.DataFrame]) -> Section:
    """The sites on a map, then their table and what lies about them."""
    sites, coarsen_km = tables["sites"], assessment.study.options.coarsen_km
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
    if "movements" in tables:
        moved = tables["movements"].assign(distance_km=tables["movements"]["distance_km"].round(1))
        section.add(table("movements", "Birds caught at more than one site", moved))
    section.add(*habitat_blocks(assessment, tables))
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
        asked = refused.assign(
            question=_questions(refused), likeness=_unnumbered(refused["reason"])
        )
        gathered = asked.groupby(["question", "likeness"], sort=False).agg(
            reason=("reason", _with_its_like),
            answers=("quantity", "size"),
            groups=("group", _listed),
            sites=("site", _listed),
            seasons=("season", _listed),
        )
        shown = gathered.reset_index().sort_values("answers", ascending=False)
        caption = "Questions without an answer; those that differ only in a number stand together"
        section.add(table("refused", caption, shown.drop(columns="likeness")))
    return section


def _questions(refused: pd.DataFrame) -> pd.Series[str]:
    """What was asked: a quantity, or what a driver does to an outcome."""
    effect = "effect of " + refused["driver"] + " on " + refused["outcome"]
    asked = refused["quantity"].where(refused["quantity"] != "effect", effect)
    return asked.str.replace("_", " ")


def _unnumbered(reasons: pd.Series[str]) -> pd.Series[str]:
    return reasons.str.replace(r"\d+(\.\d+)?", "#", regex=True)


def _with_its_like(reasons: pd.Series[str]) -> str:
    """The commonest of reasons that differ only in a number."""
    different = reasons.nunique()
    commonest = str(reasons.value_counts().index[0])
    return commonest if different == 1 else f"{commonest} (most often; or another number)"


def _listed(values: pd.Series[str], most: int = 4) -> str:
    names = sorted({str(value) for value in values if value})
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(plain(name, 60) for name in names[:most]) + more


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
    estimates = assessment.estimates
    rates = estimates[
        (estimates["quantity"] == "incident_rate") & (estimates["basis"] != "refused")
    ]
    if len(rates):
        caption = "Injured or dead among captures whose state was noted, with exact 90 % intervals"
        section.add(table("incident_rates", caption, shown_answers(rates), "estimates"))
    if "permit_year" in tables:
        section.add(*_permit_tables(tables["permit_year"]))
    section.add(points(_cautions(assessment), "Cautions"))
    return section


def _permit_tables(counted: pd.DataFrame) -> list[Block]:
    """Captures by class across kinds of capture, then bands, incidents and effort."""
    year = int(counted["year"].iloc[0])
    is_capture = counted["part"] == "captures"
    by_class = counted[is_capture].pivot_table(
        index=["species", "age", "sex"], columns="item", values="value", fill_value=0, sort=False
    )
    kinds = [kind for kind in (*CAPTURES, "not noted") if kind in by_class]
    rest = counted[~is_capture]
    shown = rest[["part", "species", "item", "unit"]].assign(
        value=[f"{number:,.4g}" if number < 1000 else f"{number:,.0f}" for number in rest["value"]]
    )
    every = "every year, with its banders, is in private/permit_year.csv"
    return [
        table(
            "permit_captures",
            f"The permit's year {year}: captures",
            by_class[kinds].astype(int).reset_index(),
            file="permit_year",
            most=len(by_class),
        ),
        table(
            "permit_rest",
            f"The permit's year {year}: bands, incidents and effort; {every}",
            shown,
            file="permit_year",
            most=len(shown),
        ),
    ]


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
