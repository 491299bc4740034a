"""Sentences made from estimates by rule, never stronger than the interval allows."""

from __future__ import annotations

import math
import re
from datetime import date, timedelta
from typing import TYPE_CHECKING

from phenology.quantities import AGAINST_NORMAL, QUANTITIES, WHOLE_REGION

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence
    from typing import Any

ORDINARY_YEAR = 2001  # stands in where an answer holds for no single season
CLEAR_DAYS = 14  # a date this well known is stated as a date
VAGUE_DAYS = 42  # beyond this an interval is too wide to plan by

# C0 and C1 controls, and the marks that reorder or hide text (Unicode TR 9, TR 36).
_UNSEEN = re.compile(
    "[\x00-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb]+"
)

_DATES = {
    "arrival_day": ("arrive", "arrival"),
    "peak_day": ("peak", "the day of most birds"),
    "departure_day": ("leave", "departure"),
    "onset_day": ("begin", "the onset of the monsoon"),
    "withdrawal_day": ("end", "the end of the monsoon"),
}
_LEVELS = {
    "fuel_load": "fuel carried",
    "lean_mass_g": "lean mass",
    "fuel_deposition_g_per_day": "mass gained a day",
    "stopover_days": "stay",
    "potential_range_km": "potential range without wind or stop",
    "share_ready": "able to reach the next stop",
    "young_per_adult": "young among young and adult females",
    "survival": "yearly survival at the site, deaths and leavers together",
    "return_rate": "caught again in a later season",
    "pollen_share": "with pollen",
    "fuel_after_breeding": "fuel carried once breeding is over",
    "moult_share": "in moult",
    "breeding_share": "in breeding condition",
    "season_rain_mm": "rain of the season",
    "nectar_kj_per_ha": "energy in the nectar of a hectare",
    "bird_days_fed": "birds that could be fed",
    "share_of_need": "the share of the birds' need on offer",
    "expected_captures": "captures to expect",
    "incident_rate": "injured or dead",
    "days_to_departure": "days until leaving",
    "spi": "rain of the season against its normal, in standard deviations,",
}
_SPOKEN = {
    "bird_days_fed": "could feed {} birds a day (between {} and {})",
    "share_of_need": "could feed {} times the birds counted (between {} and {})",
}
# Quantities told in more ways than one at the same site and season: the sentence says which.
_BY_DEFINITION = {
    "onset_day", "withdrawal_day", "bird_days_fed", "share_of_need", "share_ready",
    "fuel_deposition_g_per_day",
}  # fmt: skip
# A comparison is a change; 0 is no change, or 1 for a ratio. The words say up and down.
_CHANGES = {
    "capture_index": (
        1.0,
        "more birds than in a typical year",
        "fewer birds than in a typical year",
    ),
    "lean_condition": (0.0, "heavier for its size than usual", "lighter for its size than usual"),
    "bloom_index": (0.0, "more bloom than usual", "less bloom than usual"),
    "forecast_skill": (0.0, "better than the mean season", "worse than the mean season"),
}
_BASIS_WORDS = {
    "measured": "",
    "borrowed": " This leans on other years or sites.",
    "assumed": " This rests on assumptions, not on birds caught here.",
    "extrapolated": " This lies beyond anything seen in the data.",
}


def plain(text: object, limit: int = 160) -> str:
    """Text fit to show: unseen characters made visible, length limited.

    Examples
    --------
    >>> plain("fork" + chr(0x202E) + "gnp")
    'fork·gnp'
    """
    shown = _UNSEEN.sub("·", "" if text is None else str(text))
    return shown if len(shown) <= limit else shown[: limit - 1].rstrip() + "…"


def of_place(site: object) -> str:
    """Where birds are, after who they are; empty where they are of all sites.

    Examples
    --------
    >>> of_place("fork"), of_place("all of region 1"), of_place("")
    (' at fork', ' of region 1', '')
    """
    name = "" if site is None else str(site)
    if name.startswith(WHOLE_REGION):
        return f" of {plain(name.removeprefix(WHOLE_REGION), 60)}"
    return f" at {plain(name, 60)}" if name else ""


def season_year(season: str | int) -> int:
    """The year a season is named by: "2031" or "2031 autumn"; an ordinary year for all years."""
    first = str(season)[:4]
    return int(first) if first.isdigit() else ORDINARY_YEAR


def calendar_day(day: float, season: str | int = "") -> date:
    """Date of a day of the season's year; days past 365 run into the next year."""
    return date(season_year(season), 1, 1) + timedelta(days=round(day) - 1)


def day_words(day: float, season: str | int = "", *, with_year: bool = False) -> str:
    """A day as people write it.

    Examples
    --------
    >>> day_words(209, "2031", with_year=True)
    '28 July 2031'
    """
    when = calendar_day(day, season)
    return f"{when.day} {when:%B}" + (f" {when.year}" if with_year else "")


def span_words(low: float, high: float, season: str | int = "") -> str:
    """An interval of days, the month said once where one is enough.

    Examples
    --------
    >>> span_words(206, 212, "2031")
    '25–31 July'
    """
    first, last = calendar_day(low, season), calendar_day(high, season)
    if first == last:
        return f"{first.day} {first:%B}"
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day}–{last.day} {last:%B}"
    return f"{first.day} {first:%B} – {last.day} {last:%B}"


def number_words(value: float, low: float, high: float) -> str:
    """A number with no more digits than its interval deserves: steps of a fifth of it or more.

    An end is not rounded to zero, by up to two digits more, where the interval leaves zero out.

    Examples
    --------
    >>> number_words(0.21834, 0.181, 0.262), number_words(1234.5, 900, 1700)
    ('0.22', '1200')
    >>> number_words(-0.003, -0.045, -0.003), number_words(0.003, -0.04, 0.003)
    ('-0.003', '0.00')
    """
    width = high - low
    if not math.isfinite(width) or width <= 0:
        return f"{value:.3g}"
    step = math.floor(math.log10(width / 2))
    if value and (low > 0 or high < 0) and not round(value, -step):
        step = max(math.floor(math.log10(abs(value))), step - 2)
    rounded = round(value, -step) + 0.0  # + 0.0 turns -0.0 into 0.0
    return f"{rounded:.{max(0, -step)}f}"


def estimate_words(row: Mapping[Hashable, Any]) -> str:
    """Estimate and interval as a table shows them, units apart; "—" where refused.

    Examples
    --------
    >>> estimate_words({"quantity": "fuel_load", "estimate": 0.22, "low": 0.18, "high": 0.26,
    ...                 "unit": "share of lean mass", "basis": "measured"})
    '22 (18 to 26)'
    """
    if row["basis"] == "refused":
        return "—"
    if row["quantity"] in _DATES:
        value, low, high = (float(row[name]) for name in ("estimate", "low", "high"))
        season = row.get("season", "")
        return f"{day_words(value, season)} ({span_words(low, high, season)})"
    shown = _shown(row)
    return f"{shown[0]} ({shown[1]} to {shown[2]})"


def unit_words(unit: str) -> str:
    """A unit as shown: shares are shown as percentages.

    Examples
    --------
    >>> unit_words("share of lean mass"), unit_words("km")
    ('% of lean mass', 'km')
    """
    return "%" + unit.removeprefix("share") if unit.startswith("share") else unit


def _shown(row: Mapping[Hashable, Any]) -> list[str]:
    """Estimate, low and high in the unit shown."""
    factor = 100.0 if str(row.get("unit", "")).startswith("share") else 1.0
    value, low, high = (factor * float(row[name]) for name in ("estimate", "low", "high"))
    return [number_words(number, low, high) for number in (value, low, high)]


def subject_words(row: Mapping[Hashable, Any]) -> str:
    """Whom an answer is about: group, role, place, season."""
    where = f" at {plain(row['site'], 60)}" if row.get("site") else ""
    when = f" in {plain(row['season'], 20)}" if row.get("season") else ""
    role = f" ({row['role']})" if row.get("role") else ""
    who = plain(row["group"], 80) if row.get("group") else plain(row.get("plant", ""), 80)
    several = row.get("quantity") in _BY_DEFINITION and row.get("definition")
    way = f", {plain(row['definition'], 60)}" if several else ""
    return f"{who}{role}{where}{when}{way}".strip()


def sentence(row: Mapping[Hashable, Any]) -> str:
    """One estimate in a sentence whose strength follows its interval.

    A date known within two weeks is stated; a wider one is a span; one wider than six weeks
    is not told. A change is called a rise or a fall only if the whole 90 % interval lies on
    one side.

    Examples
    --------
    >>> sentence({"quantity": "peak_day", "group": "Selasphorus rufus",
    ...           "role": "passage", "site": "fork", "season": "2031", "estimate": 209,
    ...           "low": 206, "high": 212, "basis": "measured", "note": ""})
    'Selasphorus rufus (passage) at fork in 2031: most birds on about 28 July (25–31 July).'
    """
    quantity, subject = str(row["quantity"]), subject_words(row)
    opening = f"{subject}: " if subject else ""
    if row["basis"] == "refused":
        reason = plain(row.get("note") or "the data do not tell", 400).rstrip(".")
        return f"{opening}{_name(quantity)} cannot be told: {reason}."
    value, low, high = (float(row[name]) for name in ("estimate", "low", "high"))
    if str(row.get("definition", "")) == AGAINST_NORMAL:
        said = _difference_words(row)
    elif quantity in _DATES:
        said = _date_words(quantity, value, low, high, row.get("season", ""))
    elif quantity in _CHANGES:
        said = _change_words(quantity, value, low, high)
    elif quantity == "effect":
        said = _effect_words(row, value, low, high)
    else:
        unit = unit_words(str(row.get("unit") or QUANTITIES[quantity][0]))
        shown = _shown({**row, "unit": row.get("unit") or QUANTITIES[quantity][0]})
        spoken = _SPOKEN.get(quantity, f"{_name(quantity)} {{}} {unit} (between {{}} and {{}})")
        said = spoken.format(*shown)
    return _capital(f"{opening}{said}.{_BASIS_WORDS[str(row['basis'])]}")


def _name(quantity: str) -> str:
    if quantity in _DATES:
        return _DATES[quantity][1]
    return _LEVELS.get(quantity, quantity.replace("_", " "))


def _date_words(quantity: str, value: float, low: float, high: float, season: str) -> str:
    verb = {"arrival_day": "arrival", "departure_day": "departure", "peak_day": "most birds"}.get(
        quantity, _DATES[quantity][1]
    )
    span = span_words(low, high, season)
    if high - low > VAGUE_DAYS:
        return f"{_DATES[quantity][1]} is not known well enough to plan by, anywhere in {span}"
    if high - low > CLEAR_DAYS:
        return f"{verb} some time in {span}"
    return f"{verb} on about {day_words(value, season)} ({span})"


def _change_words(quantity: str, value: float, low: float, high: float) -> str:
    none, more, less = _CHANGES[quantity]
    shown = [number_words(number, low, high) for number in (value, low, high)]
    numbers = f"{shown[0]}, between {shown[1]} and {shown[2]}; {none:g} is no difference"
    if low > none:
        return f"{more} ({numbers})"
    if high < none:
        return f"{less} ({numbers})"
    return f"no difference from the usual can be shown ({numbers})"


def _difference_words(row: Mapping[Hashable, Any]) -> str:
    shown = _shown(row)
    unit = unit_words(str(row.get("unit", "")))
    numbers = f"{shown[0]} {unit}, between {shown[1]} and {shown[2]}"
    what = _name(str(row["quantity"]))
    if float(row["low"]) > 0:
        return f"{what} above this site's normal ({numbers})"
    if float(row["high"]) < 0:
        return f"{what} below this site's normal ({numbers})"
    return f"{what}: no difference from this site's normal can be shown ({numbers})"


def _effect_words(row: Mapping[Hashable, Any], value: float, low: float, high: float) -> str:
    driver = plain(row.get("driver", ""), 60).replace("_", " ")
    outcome = _name(str(row.get("outcome", "")))
    shown = [number_words(number, low, high) for number in (value, low, high)]
    numbers = f"{shown[0]}, between {shown[1]} and {shown[2]} {row.get('unit', '')}".strip()
    if low > 0:
        return f"{outcome} rises with {driver} ({numbers})"
    if high < 0:
        return f"{outcome} falls with {driver} ({numbers})"
    return f"whether {driver} raises or lowers {outcome} cannot be told ({numbers})"


def order_words(first: Mapping[Hashable, Any], second: Mapping[Hashable, Any]) -> str:
    """Which of two dates came first, said only if their intervals do not touch.

    Intervals that overlap a little may still belong to different dates, so this errs on the
    side of silence.
    """
    a, b = (subject_words(row) for row in (first, second))
    what = _name(str(first["quantity"]))
    if "refused" in (first["basis"], second["basis"]):
        return f"{a} and {b}: which came first cannot be told for {what}."
    gap = float(second["estimate"]) - float(first["estimate"])
    if float(first["high"]) < float(second["low"]):
        return f"{a} came before {b} ({what}, about {gap:.0f} days)."
    if float(second["high"]) < float(first["low"]):
        return f"{b} came before {a} ({what}, about {-gap:.0f} days)."
    return f"{a} and {b}: the order cannot be told for {what}."


def count_words(number: int, one: str, many: str = "") -> str:
    """A count with its noun.

    Examples
    --------
    >>> count_words(1, "bird"), count_words(1204, "bird")
    ('1 bird', '1,204 birds')
    """
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def and_words(names: Sequence[str], last: str = "and") -> str:
    """Names in a row, the last after "and" or another word.

    Examples
    --------
    >>> and_words(["fork", "ridge", "weir"])
    'fork, ridge and weir'
    """
    return f" {last} ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
