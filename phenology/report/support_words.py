"""Support in words a manager reads: rules from estimates to sentences, never beyond the interval.

What counts as support, and for whom, stands in `SUPPORTS`; nothing else moves a verdict. Fuel at
first capture is what a bird brought, a long stopover has no sign, little fat in a breeding bird is
normal: none of them is there. Fuel of local birds counts once their breeding is over.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from phenology.quantities import AGAINST_NORMAL, BETWEEN
from phenology.report.support_measures import PLAIN_DRIVERS, Measure, change_words, measure_of
from phenology.report.words import and_words, number_words, of_place, plain

if TYPE_CHECKING:
    import pandas as pd

Row = Mapping[Hashable, Any]

# Outcomes of which more is better, by role.
SUPPORTS = {
    "passage": ("fuel_deposition_g_per_day", "share_ready"),
    "local": (
        "lean_condition", "young_per_adult", "survival", "return_rate", "fuel_after_breeding",
    ),
}  # fmt: skip


def effect_sentence(row: Row) -> str:
    """One effect of a driver in a sentence.

    Examples
    --------
    >>> effect_sentence({"outcome": "fuel_deposition_g_per_day", "driver": "bloom",
    ...     "role": "passage", "definition": "within-site", "estimate": -0.077, "low": -0.114,
    ...     "high": -0.037, "basis": "measured", "birds": 236, "note": ""})
    'Passage birds, half the flowers: daily gain falls by 0.08 g a day (0.04 to 0.11; 236 birds).'
    """
    measure, change = measure_of(row["outcome"]), change_words(row["driver"])
    who = f"{str(row['role']).capitalize()} birds{of_place(row.get('site'))}"
    if row["basis"] == "refused":
        driver = PLAIN_DRIVERS.get(str(row["driver"]), plain(row["driver"], 60))
        asked = f"whether {driver} change" if driver.endswith("s") else f"whether {driver} changes"
        reason = plain(row.get("note") or "the data do not tell", 300).rstrip(".")
        return f"{who}: {asked} {measure.name} cannot be told: {reason}."
    between = str(row["definition"]) == BETWEEN
    opening = f"{who}, {change}"
    opening += {
        "within-site, through flowers": ", through flowers alone",
        "within-site, not through flowers": ", flowers being the same",
    }.get(str(row["definition"]), "")
    if between:
        opening = f"{who}, sites with {change} against sites without"
    value, low, high = (measure.times * float(row[name]) for name in ("estimate", "low", "high"))
    birds = f"{int(row['birds']):,} birds"
    if low > 0 or high < 0:
        sizes = sorted((abs(low), abs(high)))
        shown = [number_words(size, low, high) for size in (abs(value), *sizes)]
        verb = "rises" if low > 0 else "falls"
        if between:
            verb = "is higher" if low > 0 else "is lower"
        said = f"{measure.name} {verb} by {shown[0]} {measure.unit} ({shown[1]} to {shown[2]}"
        said = f"{opening}: {said}; {birds})."
    else:
        said = _nothing_shown(measure, opening, low, high, birds)
    return said + _caution(row, between=between)


def _nothing_shown(measure: Measure, opening: str, low: float, high: float, birds: str) -> str:
    shown = [number_words(number, low, high) for number in (low, high)]
    span = f"between {shown[0]} and {shown[1]} {measure.unit}; {birds}"
    if max(-low, high) <= measure.little * measure.times:
        return f"{opening}: little difference to {measure.name} ({span})."
    return f"{opening}: no difference to {measure.name} can be shown ({span})."


def _caution(row: Row, *, between: bool) -> str:
    if between:
        found = re.search(r"between (\d+) sites", str(row.get("note") or ""))
        which = f" These are {found[1]} sites, and they" if found else " Sites"
        return f"{which} differ in more than this, so it need not be the cause."
    if row["basis"] == "extrapolated":
        return " This lies beyond anything seen in the data."
    if row["basis"] == "assumed":
        return " This rests more on assumptions than on birds."
    note = str(row.get("note") or "")
    for part in note.split("; "):
        if part.startswith("rests on"):
            return f" It {part}."
    return ""


def level_sentence(row: Row) -> str:
    """An outcome at a site as it is, on its natural scale.

    Examples
    --------
    >>> level_sentence({"quantity": "fuel_after_breeding", "role": "local", "site": "fork",
    ...     "estimate": 0.121, "low": 0.098, "high": 0.143, "basis": "measured", "birds": 85})
    'Local birds at fork: fuel once breeding is over 12 % of lean mass (10 to 14; 85 birds).'
    """
    measure = measure_of(row["quantity"])
    value, low, high = (measure.times * float(row[name]) for name in ("estimate", "low", "high"))
    shown = [number_words(number, low, high) for number in (value, low, high)]
    who = f"{str(row['role']).capitalize()} birds at {plain(row['site'], 60)}"
    span = f"{shown[1]} to {shown[2]}; {int(row['birds']):,} birds"
    leans = "" if row["basis"] == "measured" else " This leans on other sites."
    return f"{who}: {measure.name} {shown[0]} {measure.unit} ({span}).{leans}"


def unshown_sentence(outcome: str, role: str, drivers: Sequence[str]) -> str:
    """Drivers whose effect on an outcome has no sure side.

    Examples
    --------
    >>> unshown_sentence("return_rate", "local", ["bloom", "feeders"])
    'Local birds: no effect of flowers or feeders on share caught again in a later season is clear.'
    """
    asked = [PLAIN_DRIVERS.get(driver, plain(driver, 60)) for driver in dict.fromkeys(drivers)]
    name = measure_of(outcome).name
    return f"{role.capitalize()} birds: no effect of {and_words(asked, 'or')} on {name} is clear."


def untold_sentence(outcome: str, role: str, reason: str, site: str = "") -> str:
    """That nothing can be said of what moves an outcome, and why.

    Examples
    --------
    >>> untold_sentence("pollen_share", "local", "12 birds, 30 needed")
    'Local birds: what moves share with pollen cannot be told: 12 birds, 30 needed.'
    """
    name = measure_of(outcome).name
    why = plain(reason, 300).rstrip(".")
    who = f"{role.capitalize()} birds{of_place(site)}"
    return f"{who}: what moves {name} cannot be told: {why}."


def verdict_sentence(site: str, season: str, role: str, rows: Sequence[Row]) -> str:
    """Whether a season at a site was good for a role, by its outcomes against the site's normal.

    Parameters
    ----------
    site, season, role : str
    rows : sequence of mapping
        Estimates rows of that site, season and role. Only outcomes in `SUPPORTS`, with
        definition "season against the site's normal" and not refused, count.

    Examples
    --------
    >>> verdict_sentence("fork", "2031", "passage", [])
    'Passage birds at fork in 2031: not told, for lack of birds weighed twice.'
    """
    opening = f"{role.capitalize()} birds at {plain(site, 60)} in {plain(season, 20)}"
    counted = judged_by(role, rows)
    if not counted:
        lacking = {
            "passage": "birds weighed twice",
            "local": "birds weighed, aged or caught again",
        }[role]
        return f"{opening}: not told, for lack of {lacking}."
    better = [row for row in counted if float(row["low"]) > 0]
    worse = [row for row in counted if float(row["high"]) < 0]
    if better and worse:
        return f"{opening}: mixed. Better: {_listed(better)}. Worse: {_listed(worse)}."
    if better:
        return f"{opening}: better than this site's normal: {_listed(better)}."
    if worse:
        return f"{opening}: worse than this site's normal: {_listed(worse)}."
    return f"{opening}: no difference from this site's normal can be shown: {_listed(counted)}."


def judged_by(role: str, rows: Sequence[Row]) -> list[Row]:
    """The outcomes by which a season is judged for a role, against the site's normal."""
    return [
        row
        for row in rows
        if row["quantity"] in SUPPORTS[role]
        and row.get("definition") == AGAINST_NORMAL
        and row["basis"] not in {"refused", "extrapolated"}
    ]


def differs(row: Row) -> bool:
    """Whether the whole interval of a difference lies on one side of none."""
    return float(row["low"]) > 0 or float(row["high"]) < 0


def _listed(rows: Sequence[Row]) -> str:
    return "; ".join(_against_normal(row) for row in rows)


def _against_normal(row: Row) -> str:
    measure = measure_of(row["quantity"])
    value, low, high = (measure.times * float(row[name]) for name in ("estimate", "low", "high"))
    shown = [number_words(number, low, high) for number in (value, low, high)]
    signed = [text if text.startswith("-") else f"+{text}" for text in shown]
    return f"{measure.name} {signed[0]} {measure.unit} ({signed[1]} to {signed[2]})"


def comparison_sentence(
    outcome: str, role: str, site: str, other: str, chance: float, birds: tuple[int, int]
) -> str:
    """How sure it is that one site does better than another on an outcome.

    Examples
    --------
    >>> comparison_sentence("lean_condition", "local", "fork", "ridge", 0.97, (120, 80))
    'Local birds: mass for size is higher at fork than at ridge (97 chances in 100; 120, 80 birds).'
    """
    measure = measure_of(outcome)
    if chance < 0.5:
        site, other, chance, birds = other, site, 1 - chance, birds[::-1]
    counted = f"{birds[0]:,}, {birds[1]:,} birds"
    odds = f"{min(99, int(100 * chance))} chances in 100"
    pair = f"{plain(site, 60)} than at {plain(other, 60)}"
    opening = f"{role.capitalize()} birds: {measure.name}"
    if chance >= 0.95:
        return f"{opening} is higher at {pair} ({odds}; {counted})."
    if chance >= 0.8:
        return f"{opening} is perhaps higher at {pair} ({odds}; {counted})."
    both = f"{plain(site, 60)} and {plain(other, 60)}"
    return f"{opening}: {both} cannot be told apart ({odds}; {counted})."


def sites_sentence(
    outcome: str, role: str, site: str, others: Sequence[str], least_chance: float
) -> str:
    """A site that surely does better than each of several.

    Examples
    --------
    >>> sites_sentence("lean_condition", "local", "fork", ["ridge", "weir"], 0.97)
    'Local birds: mass for size is higher at fork than at ridge and weir (97 chances in 100 each).'
    """
    odds = f"{min(99, int(100 * least_chance))} chances in 100 each"
    than = and_words([plain(other, 60) for other in others])
    name = measure_of(outcome).name
    return (
        f"{role.capitalize()} birds: {name} is higher at {plain(site, 60)} than at {than} ({odds})."
    )


def advice(effects: pd.DataFrame) -> list[str]:
    """What to record or do next season so that refused effects can be told.

    Parameters
    ----------
    effects : DataFrame
        Estimates rows of quantity "effect".
    """
    reasons = effects.loc[effects["basis"] == "refused", ["driver", "note"]]
    of_feeders = effects["driver"].isin(["feeders", "feeders_x_bloom"])
    notes = effects.loc[of_feeders & (effects["basis"] != "refused"), "note"]
    feeders = effects.loc[of_feeders & (effects["basis"] == "refused"), "note"]
    said = []
    if feeders.str.contains("no site had|no contrast to learn from").any():
        said.append(
            "Take feeders down for some weeks and put them back, by a plan made beforehand, at "
            "three sites or more: only then can their effect be told from that of the place. "
            "Taper rather than stop while flowers fail or nights are cold."
        )
    elif notes.str.contains("rests on").any():
        said.append(
            "Let feeders alternate by plan at a third site or more: what is said of them rests "
            "on one or two."
        )
    if reasons["note"].str.contains("known for only").any():
        said.append(
            "Survey flowers and keep the weather and feeder sheets without gaps: what is known "
            "for few birds was left out."
        )
    if reasons["note"].str.contains("site-years with bloom surveys").any():
        said.append(
            "Survey flowers in more seasons: what the monsoon does through flowers cannot be "
            "told from the rest yet."
        )
    if reasons["note"].str.contains("30 needed|of either needed").any():
        said.append("Weigh, age and re-catch more birds: some outcomes have too few to judge.")
    return said
