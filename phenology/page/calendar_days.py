"""A season as a calendar: every day with its work, its birds and the birds expected."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import pandas as pd

from phenology.report.words import calendar_day

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


@dataclass(frozen=True)
class Day:
    """One day: worked or not, birds caught, and the share of the season's most birds present."""

    date: date
    worked: bool
    full: bool
    birds: int
    share: float  # 0 to 1, of the highest expected number of birds a day

    @property
    def words(self) -> str:
        """The day in words, for a reader who does not see the calendar."""
        if not self.worked:
            return f"{self.date.day} {self.date:%B}, not worked"
        birds = f"{self.birds} bird{'' if self.birds == 1 else 's'}"
        return f"{self.date.day} {self.date:%B}, worked, {birds}{', closed full' * self.full}"


@dataclass(frozen=True)
class Month:
    """A month's weeks, Monday first; days outside the season are None."""

    name: str
    weeks: Sequence[Sequence[Day | None]]


def calendar_months(
    curves: pd.DataFrame, worked: pd.DataFrame, birds: pd.DataFrame, season: str
) -> list[Month]:
    """Months of a season.

    Parameters
    ----------
    curves : DataFrame
        day, estimate [birds/day], of all groups and roles to be summed; may be empty.
    worked : DataFrame
        day, full: the days worked.
    birds : DataFrame
        day: one row a bird caught.
    season : str
        The season that the days belong to.

    Returns
    -------
    list of Month
        From the first day worked or drawn to the last.
    """
    expected = curves.groupby("day")["estimate"].sum()
    most = float(expected.max()) if len(expected) else 0.0
    caught = birds["day"].value_counts()
    full = dict(zip(worked["day"].astype(int), worked["full"], strict=True))
    days = [*full, *(int(day) for day in expected.index)]
    if not days:
        return []
    by_date = {}
    for number in range(min(days), max(days) + 1):
        share = float(expected.get(number, 0.0)) / most if most > 0 else 0.0
        by_date[calendar_day(number, season)] = Day(
            calendar_day(number, season),
            number in full,
            bool(full.get(number, False)),
            int(caught.get(number, 0)),
            round(share, 3),
        )
    return _months(by_date)


def _months(by_date: Mapping[date, Day]) -> list[Month]:
    months = []
    for year, month in sorted({(day.year, day.month) for day in by_date}):
        first = date(year, month, 1)
        start = first - timedelta(days=first.weekday())
        weeks: list[list[Day | None]] = []
        while start < first or start.month == month:
            week = [start + timedelta(days=number) for number in range(7)]
            weeks.append([by_date.get(day) if day.month == month else None for day in week])
            start += timedelta(days=7)
        months.append(Month(f"{first:%B %Y}", [week for week in weeks if any(week)]))
    return months
