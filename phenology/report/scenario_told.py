"""Scenarios side by side: one table, one figure, and a sentence for each change."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from phenology.assess.scenario import APART, AS_IT_WAS, CHANGE, THROUGH
from phenology.report.content import Figure, Section, points, table
from phenology.report.support_measures import DESCRIPTIONS, PLAIN_DRIVERS, Measure, measure_of
from phenology.report.words import count_words, number_words, plain

if TYPE_CHECKING:
    import altair as alt

Row = Mapping[Hashable, Any]
OF_ONE = ["quantity", "role"]
UNTOLD = "cannot be told"
BEYOND = " *"  # after a number outside the data
EXPLAINED = "* lies beyond anything seen in the data"


def scenario_table(estimates: pd.DataFrame) -> pd.DataFrame:
    """One row an outcome and role, one column a scenario.

    Parameters
    ----------
    estimates : DataFrame
        Of `tell_scenarios`.

    Returns
    -------
    DataFrame
        outcome, unit, role, birds, "as it was", then each scenario: estimate and 90 % interval;
        with a star where it is extrapolated.
    """
    levels = estimates[estimates["definition"] == ""]
    rows = []
    for (quantity, role), told in levels.groupby(OF_ONE, sort=False):
        measure = measure_of(quantity)
        row = {"outcome": measure.name, "unit": measure.unit, "role": role}
        row["birds"] = int(told["birds"].max())
        rows.append(row | {one["scenario"]: _level(one, measure) for one in _records(told)})
    return pd.DataFrame(rows)


def scenario_sentences(estimates: pd.DataFrame) -> list[str]:
    """What each scenario changes, then what cannot be shown, lies beyond the data or is refused."""
    told = estimates[(estimates["definition"] == CHANGE) & (estimates["basis"] != "refused")]
    parts = estimates.set_index([*OF_ONE, "scenario", "definition"])
    said, beyond = [], {}
    unsure: dict[str, list[str]] = {}
    for row in _records(told):
        if row["basis"] == "extrapolated":
            outside = plain(row["note"], 300).partition("; wit")[0]
            for driver, words in PLAIN_DRIVERS.items():
                outside = outside.replace(f"{driver}:", f"{words}:")
            beyond[row["scenario"]] = outside
        if row["low"] > 0 or row["high"] < 0:
            key = (row["quantity"], row["role"], row["scenario"])
            apart = [parts.loc[(*key, part)] for part in (THROUGH, APART)
                     if (*key, part) in parts.index]  # fmt: skip
            said.append(change_sentence(row) + (_parts_words(apart) if apart else ""))
        else:
            of_role = f"{measure_of(row['quantity']).name} of {row['role']} birds"
            unsure.setdefault(row["scenario"], []).append(of_role)
    said += [
        f"{_opening(name)}: no difference can be shown in {'; '.join(outcomes)}."
        for name, outcomes in unsure.items()
    ]
    said += [
        f"{_opening(name)} lies beyond anything seen in the data: {reason}."
        for name, reason in beyond.items()
    ]
    refused = estimates[(estimates["basis"] == "refused") & (estimates["scenario"] != AS_IT_WAS)]
    reasons = refused.groupby(["scenario", "note"], sort=False)
    for (name, note), rows in reasons:
        whats = [f"{measure_of(row['quantity']).name} of {row['role']} birds"
                 for row in _records(rows)]  # fmt: skip
        said.append(f"{_opening(name)}: {UNTOLD} for {'; '.join(whats)}: {plain(note, 300)}.")
    described = [why for name, why in DESCRIPTIONS.items() if name in set(told["quantity"])]
    return said + [f"{why}: a description, no support." for why in described]


def change_sentence(row: Row) -> str:
    """One outcome of one scenario against what was.

    Examples
    --------
    >>> change_sentence({"quantity": "fuel_deposition_g_per_day", "role": "passage",
    ...     "scenario": "bloom half", "estimate": -0.077, "low": -0.114, "high": -0.037,
    ...     "basis": "measured", "birds": 36, "note": ""})
    'Passage birds, bloom half: daily gain would be lower by 0.08 g a day (0.04 to 0.11; 36 birds).'
    """
    measure = measure_of(row["quantity"])
    value, low, high = (measure.times * float(row[name]) for name in ("estimate", "low", "high"))
    counted = count_words(int(row["birds"]), "bird")
    beyond = f" This {EXPLAINED.removeprefix('* ')}." if row["basis"] == "extrapolated" else ""
    who = f"{str(row['role']).capitalize()} birds, {plain(row['scenario'], 80)}"
    if low > 0 or high < 0:
        sizes = sorted((abs(low), abs(high)))
        size, least, most = (number_words(number, low, high) for number in (abs(value), *sizes))
        said = f"{measure.name} would be {'higher' if low > 0 else 'lower'} by {size}"
        return f"{who}: {said} {measure.unit} ({least} to {most}; {counted}).{beyond}"
    ends = [number_words(number, low, high) for number in (low, high)]
    said = f"no difference to {measure.name} can be shown"
    if max(-low, high) <= measure.little * measure.times:
        said = f"little difference to {measure.name}"
    return f"{who}: {said} (between {ends[0]} and {ends[1]} {measure.unit}; {counted}).{beyond}"


def _parts_words(parts: list[Any]) -> str:
    """Change through flowers, and not, in the words of a sentence's end."""
    said = []
    for row, where in zip(parts, ("through flowers", "not through flowers"), strict=True):
        times = measure_of(row.name[0]).times
        value, low, high = (times * float(row[name]) for name in ("estimate", "low", "high"))
        shown = [number_words(number, low, high) for number in (value, low, high)]
        said.append(f"{where} {shown[0]} ({shown[1]} to {shown[2]})")
    return f" Of this, {', '.join(said)}."


def scenario_section(estimates: pd.DataFrame, place: str) -> Section:
    """Figure, table and sentences of scenarios side by side, for a page."""
    section = Section(
        "scenarios",
        "Scenarios",
        f"The same birds on the same days, {place}: what was, and what would have been. Dashed "
        "and hollow: beyond anything seen in the data.",
    )
    drawn = estimates[(estimates["definition"] == "") & (estimates["basis"] != "refused")]
    if len(drawn):
        caption = "Each outcome as it was and by scenario, with its 90 % interval."
        section.add(Figure("scenarios", draw_scenarios(drawn), caption))
    section.add(
        table("scenarios", f"Outcomes by scenario; {EXPLAINED}", scenario_table(estimates)),
        points(scenario_sentences(estimates), "What would change"),
    )
    return section


def draw_scenarios(rows: pd.DataFrame) -> alt.FacetChart:
    """Levels by scenario, a panel an outcome and role; extrapolated ones dashed and hollow."""
    import altair as alt

    from phenology.report.figures.parts import (
        finish,
        layered,
        panels,
        role_colour,
        roles_of,
        shown_names,
    )
    from phenology.report.palette import light

    measures = [measure_of(quantity) for quantity in rows["quantity"]]
    heads = [
        f"{measure.name}, {measure.unit}, {role} birds"
        for measure, role in zip(measures, rows["role"], strict=True)
    ]
    times = pd.Series([measure.times for measure in measures], index=rows.index)
    shown = rows[["scenario", "role", "birds", "basis"]].assign(
        panel=heads,
        beyond=rows["basis"] == "extrapolated",
        **{end: times * rows[end] for end in ("estimate", "low", "high")},
    )
    y = alt.Y(
        "scenario:N",
        title=None,
        sort=shown_names(dict.fromkeys(shown["scenario"])),
        axis=alt.Axis(ticks=False, domain=False, grid=False, labelLimit=260),
    )
    x = alt.X("low:Q", title=None, scale=alt.Scale(zero=False, nice=True))
    hue = role_colour(roles_of(shown), symbol="none")
    tooltip = ["scenario:N", "estimate:Q", "low:Q", "high:Q", "birds:Q", "basis:N"]
    layers = []
    for beyond in (False, True):
        part = alt.Chart().transform_filter(f"datum.beyond == {str(beyond).lower()}")
        reach = part.mark_rule(strokeWidth=1.8, strokeDash=[3, 3] if beyond else [1, 0])
        fill = light("paper") if beyond else alt.Undefined
        point = part.mark_point(filled=not beyond, size=64, opacity=1, fill=fill)
        layers += [
            reach.encode(x=x, x2="high:Q", y=y, color=hue),
            point.encode(x="estimate:Q", y=y, color=hue, tooltip=tooltip),
        ]
    chart = layered("estimates", *layers, height={"step": 20})
    order = list(dict.fromkeys(heads))
    return finish(panels(chart, "panel", order, own=("x",)), estimates=shown)


def _records(rows: pd.DataFrame) -> list[dict[Hashable, Any]]:
    return list(rows.to_dict("records"))


def _opening(scenario: object) -> str:
    name = plain(scenario, 80)
    return name[:1].upper() + name[1:]


def _level(row: Row, measure: Measure) -> str:
    if row["basis"] == "refused":
        return UNTOLD
    value, low, high = (measure.times * float(row[name]) for name in ("estimate", "low", "high"))
    shown = [number_words(number, low, high) for number in (value, low, high)]
    beyond = BEYOND if row["basis"] == "extrapolated" else ""
    return f"{shown[0]} ({shown[1]} to {shown[2]}){beyond}"
