"""A forecast as a page: days to choose, expected captures, past skill, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from phenology.report import figures
from phenology.report.content import Figure, Section, Words, points, table
from phenology.report.methods import method_blocks
from phenology.report.words import plain

if TYPE_CHECKING:
    from phenology.ahead.forecast import Forecast

BEST_DAYS = 5  # told in words
MOST_GROUPS = 6  # drawn


def forecast_sections(forecast: Forecast) -> list[Section]:
    """Sections of the page, in their order."""
    made = [_days(forecast), _captures(forecast), _skill(forecast), _cautions(forecast)]
    made.append(Section("methods", "Methods", blocks=method_blocks({"expected_captures"})))
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
        table("forecast_days", "Days, best first", _days_shown(days)),
    )
    return section


def _days_shown(days: pd.DataFrame) -> pd.DataFrame:
    """Days with whole birds; the chance of too many only where a limit was set."""
    shown = days[["rank", "site", "date", "weekday"]].assign(
        rank=[f"{rank:.0f}" if pd.notna(rank) else "left out" for rank in days["rank"]],
        birds=_whole(days),
        processed=[f"{birds:.0f}" for birds in days["processed"]],
        device_hours=[f"{hours:.1f}" for hours in days["device_hours"]],
    )
    if days["capacity"].notna().any():
        shown["capacity"] = [f"{birds:.0f}" for birds in days["capacity"]]
        shown["chance of too many"] = [f"{chance:.0%}" for chance in days["over_limit"]]
    return shown.rename(columns={"birds": "birds expected (90 %)"})


def _whole(rows: pd.DataFrame) -> list[str]:
    return [
        f"{expected:.1f} ({low:.0f} to {high:.0f})"
        for expected, low, high in zip(rows["expected"], rows["low"], rows["high"], strict=True)
    ]


def _captures(forecast: Forecast) -> Section:
    section = Section(
        "captures",
        "Who to expect",
        "On the best days, the groups of which most birds are expected.",
    )
    best = forecast.days.dropna(subset="rank").head(BEST_DAYS)
    there = forecast.captures.merge(best[["site", "date", "rank"]], on=["site", "date"])
    there = there.sort_values(["rank", "expected"], ascending=[True, False])
    there = there.groupby("rank").head(MOST_GROUPS)
    shown = there[["site", "date", "group"]].assign(birds=_whole(there), told_by=there["forecast"])
    shown = shown.rename(columns={"birds": "birds expected (90 %)"})
    section.add(table("forecast_captures", "Captures by day and group", shown))
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
                f"Shown because it did best, {name}: "
                + ", ".join(plain(group, 60) for group in groups)
                + "."
                for name, groups in used.groupby("forecast")["group"]
            ]
        ),
        Figure(
            "skill",
            figures.draw_forecast_skill(_well_counted(forecast.skill)),
            "Skill of each forecast by group, those with most birds: to the right of the line is "
            "better than the mean season.",
        ),
        table("forecast_skill", "Scores of past forecasts", forecast.skill),
    )
    return section


def _well_counted(skill: pd.DataFrame) -> pd.DataFrame:
    """Scores of the groups with most birds: of a few birds a score says little."""
    birds = skill.groupby("group")["birds"].max().nlargest(MOST_GROUPS)
    return skill[skill["group"].isin(birds.index)]


def _cautions(forecast: Forecast) -> Section:
    section = Section("cautions", "Cautions")
    section.add(points(list(forecast.notes)))
    return section
