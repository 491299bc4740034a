"""Rooms: sections that appear once their quantities are answered or their days are known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from phenology.assess.roles import stated_roles
from phenology.quantities import AGAINST_NORMAL, AT_EQUAL, QUANTITIES, ROLES
from phenology.report.content import Drawing, Figure, Section, points, table
from phenology.report.drivers import bloom_blocks, weather_blocks
from phenology.report.panels import interval_figures, panelled
from phenology.report.range_map import draw_range_map, find_reach
from phenology.report.support_words import differs, judged_by, verdict_sentence
from phenology.report.tables import is_one_season, said, shown_answers
from phenology.report.titles import title_words
from phenology.report.words import and_words, count_words, plain

if TYPE_CHECKING:
    from collections.abc import Iterator

    from phenology.assess.assessment import Assessment
    from phenology.report.support_words import Row
    from phenology.study.options import StudyOptions

MOST_SITES = 6  # with figures of their own; further sites stand in the tables
MOST_SENTENCES = 4
MOST_COMPARED = 5  # newest seasons drawn against their site's normal; the table holds all
NO_DIFFERENCE = {"lean_condition": 0.0, "bloom_index": 0.0, "capture_index": 1.0}


@dataclass(frozen=True)
class Room:
    """A section about some quantities."""

    anchor: str
    title: str
    quantities: tuple[str, ...]
    lead: str = ""


ROOMS = (
    Room(
        "stay",
        "Stay and return",
        ("stopover_days", "days_to_departure", "survival", "return_rate"),
        "How long birds stop, and who comes back.",
    ),
    Room(
        "range",
        "Onward range",
        ("potential_range_km", "share_ready", "fuel_deposition_g_per_day"),
        "Potential range: still air, no stop. Most hummingbirds fly by day and feed on the way, so "
        "this is a yardstick of fuel, not a forecast of flights.",
    ),
    Room("condition", "Condition and young", ("lean_condition", "young_per_adult", "pollen_share")),
    Room("numbers", "Numbers against other years", ("capture_index",)),
    Room(
        "bloom",
        "Bloom and energy",
        ("bloom_index", "nectar_kj_per_ha", "bird_days_fed", "share_of_need"),
        "Insects, bats and other birds drink from the same flowers and are not counted here.",
    ),
    Room(
        "monsoon",
        "Weather and monsoon",
        ("onset_day", "withdrawal_day", "season_rain_mm", "spi"),
    ),
    Room(
        "forecast",
        "Next season",
        ("expected_captures", "forecast_skill"),
        "A forecast does not authorise capture: permits, trained hands and the permit's limits of "
        "weather and handling come first.",
    ),
)


def shown_sites(tables: dict[str, pd.DataFrame]) -> list[str]:
    """Sites with figures of their own: those with most birds."""
    birds = tables["seasons_sampled"].groupby("site", sort=False)["birds"].sum()
    return [str(site) for site in birds.sort_values(ascending=False, kind="stable").index][
        :MOST_SITES
    ]


def room_section(room: Room, assessment: Assessment, tables: dict[str, pd.DataFrame]) -> Section:
    """A room of further quantities: for each its intervals, table and sentences."""
    section = Section(room.anchor, room.title, room.lead)
    if room.anchor == "bloom":
        section.add(*bloom_blocks(assessment, tables, shown_sites(tables)))
    if room.anchor == "monsoon":
        section.add(*weather_blocks(assessment, tables, shown_sites(tables)))
    if room.anchor == "range":
        section.add(*range_blocks(assessment, tables))
    further = tables.get("further")
    if further is None:
        return section
    for name in room.quantities:
        rows = further[further["quantity"] == name]
        if len(rows):
            most = rows.sort_values("birds", ascending=False).head(MOST_SENTENCES)
            section.add(
                *quantity_figures(rows, name, assessment.study.options),
                table(name, title_words(name), shown_answers(rows), "estimates", folded=True),
                points(said(most)),
            )
    return section


def range_blocks(assessment: Assessment, tables: dict[str, pd.DataFrame]) -> list[Drawing]:
    """Rings of potential range about the site with most birds; none without a range law."""
    options, sites = assessment.study.options, shown_sites(tables)
    reaches = find_reach(
        assessment.captures, stated_roles(assessment.study), assessment.draws.get("birds")
    )
    if not reaches or not sites or max(reach.high for reach in reaches) <= 0:
        return []
    caption = (
        f"How far birds caught at the study's sites could fly from {plain(sites[0], 40)} on the "
        "fuel they carried when caught, in still air and without a stop: the line is the middle "
        "bird, the band about it holds 90 % of birds. "
        + ("The broken line is as far as the next stop. " if options.next_stop_km else "")
        + "Small marks are the study's other sites. Outlines: Natural Earth."
    )
    drawing = draw_range_map(tables["sites"], sites[0], reaches, options.next_stop_km)
    return [Drawing("range-map", drawing, caption)]


def quantity_figures(
    rows: pd.DataFrame, name: str, options: StudyOptions, suffix: str = "", anchor: str = ""
) -> list[Figure]:
    """Intervals of one quantity; a suffix sets a difference apart from a level."""
    unit, meaning = QUANTITIES[name]
    none = 0.0 if suffix else NO_DIFFERENCE.get(name)
    title = title_words(name) + suffix
    caption = f"{title}: {meaning}. Marks with 90 % intervals, hollow where other data taught it"
    return interval_figures(
        panelled(rows, options),
        f"{anchor}{name}{suffix}".replace("_", "-").replace(" ", "-"),
        title if unit in title.lower() else f"{title}, {unit}",
        caption + ("." if none is None else "; the line is no difference."),
        none=none,
        in_days=unit == "day of year" and not suffix,
    )


def compare_section(assessment: Assessment, tables: dict[str, pd.DataFrame]) -> Section:
    """Sites at equal days and groups, and seasons against their site's normal."""
    section = Section(
        "compared",
        "Compared with other sites and seasons",
        "Sites are compared as if all had been worked on the same days and had caught the same "
        "groups; seasons are compared with what is normal at their site.",
    )
    compared = tables.get("comparison")
    if compared is None:
        return section
    options = assessment.study.options
    for name in compared["quantity"].unique():
        rows = compared[compared["quantity"] == name]
        levels = rows[rows["definition"] == AT_EQUAL].assign(definition="")
        seasons = rows[rows["definition"] == AGAINST_NORMAL].assign(definition="")
        if len(levels):
            # One panel: the sites stand below one another.
            together = levels.assign(plant="sites at equal days and groups")
            section.add(*quantity_figures(together, name, options, anchor="compared-"))
        if len(seasons):
            newest = sorted(seasons["season"].unique())[-MOST_COMPARED:]
            drawn = seasons[seasons["season"].isin(newest)]
            section.add(*quantity_figures(drawn, name, options, " against normal"))
        section.add(table(name, title_words(name), shown_answers(rows), "estimates", folded=True))
    section.add(points(verdicts(compared, shown_sites(tables)), "Newest seasons"))
    return section


def verdicts(compared: pd.DataFrame, sites: list[str]) -> list[str]:
    """Whether the newest season of these sites was good for local and for passage birds."""
    newest = list(newest_seasons(compared))
    told = [verdict_sentence(*season) for season in newest if season[0] in sites]
    left = len({site for site, *_ in newest if site not in sites})
    if left:
        told.append(f"{count_words(left, 'further site')} with fewer birds: see the tables above.")
    return told


def verdicts_in_short(compared: pd.DataFrame, sites: list[str]) -> list[str]:
    """The same with seasons that differ from nothing told together, a role a line.

    Other sites where something differs are counted.
    """
    said_of = []
    alike: dict[tuple[str, str], list[str]] = {}
    further = set()
    for site, season, role, rows in newest_seasons(compared):
        judged = judged_by(role, rows)
        if judged and not any(differs(row) for row in judged):
            alike.setdefault((role, season), []).append(plain(site, 60))
        elif site in sites:
            said_of.append(verdict_sentence(site, season, role, rows))
        else:
            further.add(site)
    if further:
        number = count_words(len(further), "further site")
        said_of.append(f"{number} with fewer birds differed from normal or cannot be judged.")
    return said_of + [
        f"{role.capitalize()} birds at "
        + (and_words(names) if len(names) <= MOST_SITES else count_words(len(names), "site"))
        + f" in {plain(season, 20)}: no difference from normal can be shown."
        for (role, season), names in alike.items()
    ]


def newest_seasons(compared: pd.DataFrame) -> Iterator[tuple[str, str, str, list[Row]]]:
    """Site, season, role and answers of each site's newest season."""
    seasons = compared[is_one_season(compared["season"])]
    for site, here in seasons.groupby("site"):
        newest = here[here["season"] == here["season"].max()]
        for role, rows in newest[newest["role"].isin(ROLES)].groupby("role"):
            records: list[Row] = list(rows.to_dict("records"))
            yield str(site), str(records[0]["season"]), str(role), records
