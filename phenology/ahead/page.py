"""A forecast as a page: days to choose, expected captures, past skill, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from phenology.report import figures
from phenology.report.content import Figure, Section, Words, points, table
from phenology.report.words import plain

if TYPE_CHECKING:
    from phenology.ahead.forecast import Forecast

BEST_DAYS = 5  # told in words


def forecast_sections(forecast: Forecast) -> list[Section]:
    """Sections of the page, in their order."""
    made = [_days(forecast), _captures(forecast), _skill(forecast), _cautions(forecast)]
    return [section for section in made if section.blocks]


def told_days(forecast: Forecast) -> list[str]:
    """The best days in sentences; what was left out, too."""
    ranked = forecast.days.dropna(subset="rank")
    lines = [
        f"{day.date:%a %d %B %Y} at {plain(day.site, 60)}: {_birds(day)}."
        for day in ranked.head(BEST_DAYS).itertuples()
    ]
    left = len(forecast.days) - len(ranked)
    if left:
        lines.append(
            f"{left} {'day is' if left == 1 else 'days are'} left out: more birds are likely than "
            "can be processed under your hourly limit."
        )
    return lines or ["No day can be recommended: each is likely to bring too many birds."]


def _birds(day: object) -> str:
    low, high = getattr(day, "low", 0.0), getattr(day, "high", 0.0)
    return f"{getattr(day, 'expected', 0.0):.0f} birds expected, {low:.0f} to {high:.0f}"


def _days(forecast: Forecast) -> Section:
    issued = f"{forecast.issued:%d %B %Y}"
    section = Section(
        "days",
        f"Days to choose in {plain(forecast.season, 20)}",
        f"From what was known on {issued}, nothing later. Days are ranked by the birds that can "
        "be processed.",
    )
    days = forecast.days
    first = pd.Timestamp(int(forecast.season.split()[0]), 1, 1)
    drawn = days.assign(day=(days["date"] - first).dt.days + 1)
    section.add(
        points(told_days(forecast)),
        Figure(
            "calendar",
            figures.draw_forecast_calendar(drawn, forecast.season),
            "Captures expected on each day that you can choose, with 90 % interval and the rank "
            "of the best five; a hollow mark is a day left out, the dashed line where your hourly "
            "limit ends.",
        ),
        table("forecast_days", "Days, best first", days),
    )
    return section


def _captures(forecast: Forecast) -> Section:
    section = Section("captures", "Who to expect")
    section.add(table("forecast_captures", "Captures by day and group", forecast.captures))
    return section


def _skill(forecast: Forecast) -> Section:
    section = Section(
        "skill",
        "How forecasts went before",
        "Seasons already over, forecast once more from earlier seasons alone. Skill is the share "
        "of the mean season's error that a forecast removes: 0 is no better, below 0 worse.",
    )
    if forecast.skill.empty:
        section.add(Words(("No past season was forecast, so no skill can be shown.",)))
        return section
    used = forecast.captures.drop_duplicates("group")[["group", "forecast"]]
    section.add(
        points(
            [
                f"{plain(row.group, 60)}: the {row.forecast} did best and is the one shown."
                for row in used.itertuples()
            ]
        ),
        Figure(
            "skill",
            figures.draw_forecast_skill(forecast.skill),
            "Skill of each forecast by group: to the right of the line is better than the mean "
            "season.",
        ),
        table("forecast_skill", "Scores of past forecasts", forecast.skill),
    )
    return section


def _cautions(forecast: Forecast) -> Section:
    section = Section("cautions", "Cautions")
    section.add(points(list(forecast.notes)))
    return section
