"""Seasons: which season a date belongs to, and its day in that season's year."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

if TYPE_CHECKING:
    from phenology.study.options import SeasonWindow

MARGIN_DAYS = 14  # on either side of the span sampled, where study.toml names no season


@dataclass(frozen=True)
class Window:
    """A part of the year under study, in days of the year in which the season begins.

    `last_day` runs past 365 where the season crosses New Year. `name` is empty where the study
    has one season a year.
    """

    name: str
    first_day: int
    last_day: int

    def place(self, dates: pd.DatetimeIndex) -> pd.DataFrame:
        """Season year, day in that year, and whether the date lies in the window.

        Examples
        --------
        >>> winter = Window("", first_day=320, last_day=420)
        >>> winter.place(pd.DatetimeIndex(["2031-12-01", "2032-01-10"])).to_numpy().tolist()
        [[2031, 335, True], [2031, 375, True]]
        """
        year = dates.year.to_numpy()
        day = dates.day_of_year.to_numpy()
        year_before = year - 1
        days_in_year_before = np.where(_is_leap(year_before), 366, 365)
        belongs_before = day + days_in_year_before <= self.last_day
        season = np.where(belongs_before, year_before, year)
        day = np.where(belongs_before, day + days_in_year_before, day)
        inside = (day >= self.first_day) & (day <= self.last_day)
        return pd.DataFrame({"season": season, "day": day, "inside": inside})

    def label(self, season: int) -> str:
        """The season as reported: its year, and its name where a year has several."""
        return f"{season} {self.name}".strip()


def _is_leap(year: npt.NDArray[np.int32]) -> npt.NDArray[np.bool_]:
    leap: npt.NDArray[np.bool_] = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    return leap


def season_windows(
    declared: tuple[SeasonWindow, ...], sampled: pd.DatetimeIndex
) -> tuple[Window, ...]:
    """The study's windows: as declared, or the span sampled with 14 days on either side.

    Parameters
    ----------
    declared : tuple of SeasonWindow
        From study.toml; may be empty.
    sampled : DatetimeIndex
        Days sampled, in any year.
    """
    if declared:
        several = len(declared) > 1
        return tuple(
            Window(
                name=window.name if several else "",
                first_day=_day(window.start),
                last_day=_day(window.until)
                + (365 if _day(window.until) < _day(window.start) else 0),
            )
            for window in declared
        )
    first, last = _shortest_arc(np.unique(sampled.day_of_year.to_numpy()))
    return (Window(name="", first_day=first - MARGIN_DAYS, last_day=last + MARGIN_DAYS),)


def _day(month_day: str) -> int:
    common_year = month_day.replace("02-29", "02-28")
    return date.fromisoformat(f"2023-{common_year}").timetuple().tm_yday


def _shortest_arc(days: npt.NDArray[np.int64]) -> tuple[int, int]:
    """The shortest stretch of the year that holds all days; it may cross New Year."""
    gaps = np.diff(np.append(days, days[0] + 365))
    widest = int(gaps.argmax())
    first = int(days[(widest + 1) % len(days)])
    last = int(days[widest])
    return (first, last) if last >= first else (first, last + 365)


def season_labels(dates: pd.Series, windows: tuple[Window, ...]) -> pd.Series:
    """The season of each date, as reported; a date outside every window belongs to its year."""
    days = pd.DatetimeIndex(dates)
    labels = pd.Series(days.year.astype(str), index=dates.index)
    for window in windows:
        placed = window.place(days)
        inside = placed["inside"].to_numpy()
        labels[inside] = [window.label(season) for season in placed["season"][inside]]
    return labels


def date_of_day(day: float, year: int = 2023) -> date:
    """The calendar date of a day of the year; past 365 it lies in the next year.

    Examples
    --------
    >>> date_of_day(196.4).isoformat()
    '2023-07-15'
    """
    return date(year, 1, 1) + timedelta(days=round(day) - 1)
