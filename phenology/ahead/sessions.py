"""Planned sessions: the days on which a site could be worked, at the effort it is used to."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pandas as pd

from phenology.errors import StudyError

if TYPE_CHECKING:
    from collections.abc import Collection

    from phenology.seasons import Window

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
PLANNED = "planned"


def days_to_choose(
    window: Window,
    season: int,
    issued: pd.Timestamp,
    weekdays: Collection[str] = (),
    closed: Collection[str] = (),
) -> pd.DatetimeIndex:
    """Days of a season after the day of issue that fall on the weekdays asked for.

    Parameters
    ----------
    window : Window
    season : int
        Year in which the season begins.
    issued : Timestamp
    weekdays : collection of str, optional
        mon, tue, ... ; all if empty.
    closed : collection of str, optional
        Dates (2031-07-04) on which nobody can come.

    Raises
    ------
    StudyError
        If a weekday or a date cannot be read, or no day is left.

    Examples
    --------
    >>> from phenology.seasons import Window
    >>> days = days_to_choose(Window("", 180, 200), 2031, pd.Timestamp("2031-07-05"), ["sat"])
    >>> [str(day.date()) for day in days]
    ['2031-07-12', '2031-07-19']
    """
    unknown = [name for name in weekdays if name not in WEEKDAYS]
    if unknown:
        raise StudyError(
            f"'{unknown[0]}' is no day of the week.", f"Use some of {', '.join(WEEKDAYS)}."
        )
    shut = {_date(text) for text in closed}
    first = pd.Timestamp(season, 1, 1) + pd.Timedelta(days=window.first_day - 1)
    last = pd.Timestamp(season, 1, 1) + pd.Timedelta(days=window.last_day - 1)
    days = pd.date_range(max(first, issued + pd.Timedelta(days=1)), last, unit="s")
    asked = [WEEKDAYS.index(name) for name in weekdays or WEEKDAYS]
    kept = days[days.day_of_week.isin(asked) & ~days.isin(list(shut))]
    if kept.empty:
        raise StudyError(
            f"No day of season {season} is left to choose from after {issued.date()}.",
            f"The season runs from {first.date()} to {last.date()}; ask for a later season, other "
            "weekdays, or an earlier --issued.",
        )
    return kept


def _date(text: str) -> pd.Timestamp:
    try:
        return pd.Timestamp(date.fromisoformat(text))
    except ValueError:
        raise StudyError(f"'{text}' is no date.", "Write it as 2031-07-04.") from None


def planned_sessions(
    effort: pd.DataFrame, sites: list[str], days: pd.DatetimeIndex, device_hours: float | None
) -> pd.DataFrame:
    """One session a site and day, opened, closed and baited as the site mostly is.

    Parameters
    ----------
    effort : DataFrame
        Sessions so far.
    sites : list of str
    days : DatetimeIndex
    device_hours : float, optional
        Of a planned day; by default the median of the site's days so far.

    Returns
    -------
    DataFrame
        In the columns of the effort sheet; a site never worked takes all sites' habits.
    """
    sessions = []
    for site in sites:
        own = effort[effort["site"] == site]
        past = own if len(own) else effort
        opened, shut = past["open"].median(), past["close"].median()
        worked = (past["close"] - past["open"]) * past["traps"].fillna(1)
        usual = worked.groupby([past["site"], past["date"]]).sum().median()
        baited = past["baited"].fillna(past["method"].fillna("trap") == "trap").astype(bool)
        sessions.append(
            pd.DataFrame(
                {
                    "site": site,
                    "date": days,
                    "trap": PLANNED,
                    "open": opened,
                    "close": shut,
                    "traps": (device_hours or usual) / (shut - opened),
                    "method": "trap" if baited.mean() >= 0.5 else "net",
                    "baited": bool(baited.mean() >= 0.5),
                }
            )
        )
    return pd.concat(sessions, ignore_index=True)
