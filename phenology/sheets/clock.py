"""Dates and times of day as field sheets write them."""

import datetime as dt
import re
from difflib import get_close_matches

EARLIEST_YEAR, LATEST_YEAR = 1900, 2100
_CENTURY_PIVOT = 70  # a year written with two digits: 69 is 2069, 70 is 1970
_SPREADSHEET_EPOCH = dt.date(1899, 12, 30)
_SERIAL_RANGE = (15000, 73415)  # 1941 to 2100 as days since the epoch
_MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september",
    "october", "november", "december",
)  # fmt: skip

_ISO = re.compile(
    r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ]+\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?Z?)?"
)
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})")
_SERIAL = re.compile(r"(\d{5})(?:\.\d+)?")
_PARTS = re.compile(r"(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4}|\d{2})(?: \d{1,2}:\d{2}(?::\d{2})?)?")
_DAY_WORD = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[-/. ]*([a-z]{3,9})\.?[-/., ]*(\d{4}|\d{2})")
_WORD_DAY = re.compile(r"([a-z]{3,9})\.?[-/. ]*(\d{1,2})(?:st|nd|rd|th)?[-/., ]+(\d{4}|\d{2})")

_CLOCK = re.compile(
    r"(?:\d{4}-\d{2}-\d{2}[T ]+)?(\d{1,2})\s*[:h.]\s*(\d{1,2})(?::(\d{2})(?:\.\d+)?)?\s*h?(?:rs)?"
    r"\s*(am|pm|a|p)?\.?"
)
_DIGITS = re.compile(r"(\d{1,4})\s*(?:h|hrs|hours)?\s*(am|pm|a|p)?")
_FRACTION = re.compile(r"0?\.\d{3,}|0|1\.0*|0\.0*|0?\.[05]|0?\.[27]5")


class Unreadable(ValueError):
    """A text that is not what its column should hold. The message says why."""


class Ambiguous(Unreadable):
    """A text that can be read in two ways."""


def parse_date(text: str, order: str | None = None) -> dt.date:
    """Read a date as written.

    Parameters
    ----------
    text : str
        ISO, compact, spreadsheet serial, day and month in words, or three numbers.
    order : {"month-first", "day-first"}, optional
        How three numbers are meant; without it, only those that can be meant one way are read.

    Returns
    -------
    datetime.date

    Raises
    ------
    Ambiguous
        If the day and the month can change places.
    Unreadable
        If the text is no date.

    Examples
    --------
    >>> parse_date("5 Jul 2026") == parse_date("2026-07-05") == parse_date("46208")
    True
    >>> parse_date("3/4/2026", order="day-first").month
    4
    """
    plain = " ".join(text.casefold().split())
    if found := _ISO.fullmatch(plain.upper()) or _COMPACT.fullmatch(plain):
        return _date(*(int(part) for part in found.groups()))
    if (found := _SERIAL.fullmatch(plain)) and _SERIAL_RANGE[0] < int(found[1]) < _SERIAL_RANGE[1]:
        return _SPREADSHEET_EPOCH + dt.timedelta(days=int(found[1]))
    if found := _PARTS.fullmatch(plain):
        return _date_of_parts(int(found[1]), int(found[2]), _year(found[3]), order)
    if found := _DAY_WORD.fullmatch(plain):
        return _date(_year(found[3]), _month(found[2]), int(found[1]))
    if found := _WORD_DAY.fullmatch(plain):
        return _date(_year(found[3]), _month(found[1]), int(found[2]))
    raise Unreadable("is no date")


def _date_of_parts(first: int, second: int, year: int, order: str | None) -> dt.date:
    month_first = _possible(year, first, second)
    day_first = _possible(year, second, first)
    if month_first and day_first and month_first != day_first:
        if order is None:
            raise Ambiguous(f"can be {month_first} or {day_first}")
        return month_first if order == "month-first" else day_first
    only = month_first or day_first
    if only is None:
        raise Unreadable("is no day of any month")
    return only


def _possible(year: int, month: int, day: int) -> dt.date | None:
    try:
        return _date(year, month, day)
    except Unreadable:
        return None


def _date(year: int, month: int, day: int) -> dt.date:
    try:
        date = dt.date(year, month, day)
    except ValueError:
        raise Unreadable("is no day of any month") from None
    if not EARLIEST_YEAR <= year <= LATEST_YEAR:
        raise Unreadable(f"lies outside {EARLIEST_YEAR} to {LATEST_YEAR}")
    return date


def _year(text: str) -> int:
    year = int(text)
    return year if len(text) == 4 else year + (2000 if year < _CENTURY_PIVOT else 1900)


def _month(word: str) -> int:
    for number, name in enumerate(_MONTHS, start=1):
        if name.startswith(word) or (word == "sept" and number == 9):
            return number
    near = get_close_matches(word, _MONTHS, n=1)
    raise Unreadable(f"names no month; perhaps {near[0]}" if near else "names no month")


def parse_time(text: str) -> float:
    """Read a time of day as written.

    Parameters
    ----------
    text : str
        06:15, 6.15, 615, 1815h, 6:15 pm, or a fraction of a day such as 0.2604.

    Returns
    -------
    float
        Hours after midnight [h], 0 to 24.

    Raises
    ------
    Unreadable
        If the text is no time of day.

    Examples
    --------
    >>> [parse_time(text) for text in ("06:15", "6.15", "615", "1815h", "6:15 pm")]
    [6.25, 6.25, 6.25, 18.25, 18.25]
    >>> round(parse_time("0.260416666667"), 6)
    6.25
    """
    plain = " ".join(text.casefold().split()).replace(",", ".")
    if _FRACTION.fullmatch(plain):
        return round(float(plain) * 24 * 3600) / 3600
    if found := _CLOCK.fullmatch(plain):
        minutes = found[2] if len(found[2]) == 2 else found[2] + "0"
        if ":" in plain and len(found[2]) == 1:
            raise Unreadable("has a minute of one digit")
        return _hours(int(found[1]), int(minutes), int(found[3] or 0), found[4])
    if found := _DIGITS.fullmatch(plain):
        digits = found[1]
        if len(digits) <= 2:
            return _hours(int(digits), 0, 0, found[2])
        return _hours(int(digits[:-2]), int(digits[-2:]), 0, found[2])
    raise Unreadable("is no time of day")


def _hours(hour: int, minute: int, second: int, half: str | None) -> float:
    if minute > 59 or second > 59:
        raise Unreadable("has more than 59 minutes")
    if half:
        if not 1 <= hour <= 12:
            raise Unreadable("is no time of day")
        hour = hour % 12 + (12 if half.startswith("p") else 0)
    hours = hour + minute / 60 + second / 3600
    if hours > 24:
        raise Unreadable("is later than midnight")
    return hours
