"""Rooms: sections that appear once their quantities are answered or their days are known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from phenology.quantities import QUANTITIES
from phenology.report import figures
from phenology.report.content import Block, Figure, Section, Words, points, table
from phenology.report.tables import role_of, said, shown_answers
from phenology.report.words import plain

if TYPE_CHECKING:
    from phenology.assess.assessment import Assessment
    from phenology.study.options import StudyOptions

MOST_SITES = 6  # with figures of their own; further sites stand in the tables
MOST_SENTENCES = 12
MOST_INTERVALS = 120  # rows of one quantity drawn; its table and tables/*.csv hold the rest
PAGE_PX = 860  # height of a figure that a page still shows at nearly its full size


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
        ("bloom_index", "nectar_kj_per_ha", "bird_days_fed"),
        "Insects, bats and other birds drink from the same flowers and are not counted here.",
    ),
    Room(
        "monsoon",
        "Weather and monsoon",
        ("onset_day", "withdrawal_day", "season_rain_mm", "spi"),
    ),
    Room(
        "support",
        "What the site does for the birds",
        ("effect",),
        "Effects compare like with like within sites where the data allow it. A point left or "
        "right of the line says which way; an interval that crosses the line says that the way "
        "cannot be told.",
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


def labelled(rows: pd.DataFrame, options: StudyOptions) -> pd.DataFrame:
    """Rows for a figure of intervals: the newest season alone where there are too many.

    A group without a role of its own takes its species', so that its hue is the usual one.
    """
    filled = rows.copy()
    for column in ("site", "season", "day", "group", "role", "definition", "scenario"):
        if column not in filled:
            filled[column] = ""
    if len(filled) > MOST_INTERVALS:
        filled = filled[filled["season"].isin([filled["season"].max(), ""])]
    if len(filled) > MOST_INTERVALS:
        filled = filled.nlargest(MOST_INTERVALS, "birds")
    subjects = zip(filled["role"], filled["group"], filled["site"], strict=True)
    filled["role"] = [
        role or (role_of(group, site, options) if group else "") for role, group, site in subjects
    ]
    parts = filled[["site", "season", "day", "definition", "scenario"]].astype(str)
    filled["label"] = [
        " ".join(part for part in row if part) or "all sites and years"
        for row in parts.itertuples(index=False)
    ]
    return filled


def room_section(room: Room, assessment: Assessment, tables: dict[str, pd.DataFrame]) -> Section:
    """A room of further quantities: for each its intervals, table and sentences."""
    section = Section(room.anchor, room.title, room.lead)
    if room.anchor == "bloom" and "bloom_days" in tables:
        section.add(*bloom_figures(tables["bloom_days"], shown_sites(tables)))
    if room.anchor == "monsoon" and "weather_days" in tables:
        onsets = assessment.estimates[assessment.estimates["quantity"] == "onset_day"]
        section.add(*weather_figures(tables["weather_days"], onsets, shown_sites(tables)))
        if "attribution" in assessment.site_days.attrs:
            section.add(Words((str(assessment.site_days.attrs["attribution"]),), look="quiet"))
    further = tables.get("further")
    if further is None:
        return section
    for name in room.quantities:
        rows = further[further["quantity"] == name]
        if rows.empty:
            continue
        drawn = labelled(rows, assessment.study.options)
        heads = [column for column in ("outcome", "driver", "group", "plant") if column in drawn]
        drawn["panel"] = [
            " · ".join(str(part).replace("_", " ") for part in row if part)
            or name.replace("_", " ")
            for row in drawn[heads].itertuples(index=False)
        ]
        unit, meaning = QUANTITIES[name]
        none = {"effect": 0.0, "lean_condition": 0.0, "bloom_index": 0.0, "capture_index": 1.0}
        section.add(
            *interval_figures(
                drawn,
                "panel",
                name.replace("_", "-"),
                f"{name.replace('_', ' ')}, {unit}",
                f"{name.replace('_', ' ').capitalize()}: {meaning}. Marks with 90 % intervals; "
                "hollow where other data taught it.",
                none=none.get(name),
            ),
            table(name, name.replace("_", " ").capitalize(), shown_answers(rows)),
            points(said(rows.sort_values("birds", ascending=False).head(MOST_SENTENCES))),
        )
    return section


def interval_figures(
    rows: pd.DataFrame,
    panel: str,
    name: str,
    title: str,
    caption: str,
    none: float | None = None,
    number_format: str = ".3~g",
) -> list[Figure]:
    """Intervals in panels, as many a figure as a page holds."""
    height = 35 + 18 * rows["label"].nunique() * rows["role"].nunique()
    return [
        Figure(
            f"{name}-{page}",
            figures.draw_intervals(
                rows[rows[panel].isin(heads)],
                panel,
                "label",
                title,
                span=_reach(rows, none),
                none=none,
                number_format=number_format,
            ),
            caption,
        )
        for page, heads in enumerate(pages(rows[panel], height))
    ]


def _reach(rows: pd.DataFrame, none: float | None) -> tuple[float, float]:
    """What the axis of every page covers, so that pages compare."""
    bounds = [rows["low"].min(), rows["high"].max(), *([] if none is None else [none])]
    return float(min(bounds)), float(max(bounds))


def pages(names: pd.Series[str], height_px: int) -> list[list[str]]:
    """Panels shared out over figures, so that each fits a printed page and stays readable."""
    ordered = sorted(names.unique())
    most = max(1, PAGE_PX // height_px)
    return [ordered[start : start + most] for start in range(0, len(ordered), most)]


def bloom_figures(days: pd.DataFrame, sites: list[str]) -> list[Block]:
    """Open flowers and the bloom index through the season, by site."""
    measures = {"open_flowers_per_m2": "open flowers a square metre", "bloom_index": "bloom index"}
    drawn: list[Block] = []
    for number, site in enumerate(sites):
        here = days[days["site"] == site]
        long = pd.concat(
            [
                here.assign(measure=title, value=here[name], low=here[f"{name}_low"],
                            high=here[f"{name}_high"])
                for name, title in measures.items()
                if name in here
            ]
        )  # fmt: skip
        if long["value"].notna().any():
            season = here.loc[here["open_flowers_per_m2"].notna(), "season"].max()
            marks = here.loc[here["surveyed"].astype(bool), ["season", "day"]]
            drawn.append(
                Figure(
                    f"bloom-{number}",
                    figures.draw_conditions(long, marks, season, "surveyed"),
                    f"Bloom at {plain(site, 60)}: {plain(season, 20)} with its 90 % interval, "
                    "other seasons thin behind it; ticks are days surveyed, and a bloom index of "
                    "0 is this site's normal for the day.",
                )
            )
    return drawn


def weather_figures(days: pd.DataFrame, onsets: pd.DataFrame, sites: list[str]) -> list[Block]:
    """Rain since the season began and dew point, by site, with the monsoon's onset."""
    measures = {
        "rain_since_start_mm": "rain since the season began, mm",
        "dewpoint_c": "dew point, °C",
        "tmax_c": "highest temperature of the day, °C",
    }
    told = onsets[["site", "season", "estimate"]].dropna().rename(columns={"estimate": "day"})
    drawn: list[Block] = []
    for number, site in enumerate(sites):
        here = days[days["site"] == site]
        known = [name for name in measures if name in here and here[name].notna().any()]
        if not known:
            continue
        long = pd.concat(
            [here.assign(measure=measures[name], value=here[name]) for name in known[:2]]
        )
        season = here.loc[here[known].notna().any(axis="columns"), "season"].max()
        marks = told.loc[told["site"] == site, ["season", "day"]]
        drawn.append(
            Figure(
                f"weather-{number}",
                figures.draw_conditions(long, marks, season, "onset"),
                f"Weather at {plain(site, 60)}: {plain(season, 20)} bold, other seasons thin; "
                "where rain climbs and dew point stays high the monsoon has come, and ticks mark "
                "its onset where it can be told.",
            )
        )
    return drawn
