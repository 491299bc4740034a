"""What observers' hands add: readers compared, and the last digits that were written down."""

from __future__ import annotations

import altair as alt
import pandas as pd

from phenology.report.figures.parts import finish, layered, panels
from phenology.report.palette import light

STEP = 18  # of a reader's line [px]


def draw_readers(readers: pd.DataFrame) -> alt.FacetChart:
    """Each reader's difference from the others, and share of rounded wings, with 90 % intervals.

    Parameters
    ----------
    readers : DataFrame
        letter, measure, birds, estimate, low, high and usual, where the line stands.
    """
    base = alt.Chart()
    order = list(dict.fromkeys(readers["letter"]))
    y = alt.Y("letter:N", title=None, sort=sorted(order), axis=alt.Axis(grid=False))
    tooltip = [
        alt.Tooltip("letter:N", title="reader"),
        alt.Tooltip("birds:Q", format=","),
        alt.Tooltip("estimate:Q", format=".2f"),
        alt.Tooltip("low:Q", format=".2f"),
        alt.Tooltip("high:Q", format=".2f"),
    ]
    x = alt.X("low:Q", title=None, scale=alt.Scale(zero=False), axis=alt.Axis(tickCount=6))
    usual = base.mark_rule(strokeDash=[3, 3], color=light("soft")).encode(alt.X("usual:Q"))
    rule = base.mark_rule(strokeWidth=2, color=light("ink")).encode(x, y, x2="high:Q")
    point = base.mark_point(filled=True, size=46, color=light("ink"), opacity=1).encode(
        alt.X("estimate:Q"), y, tooltip=tooltip
    )
    chart = panels(
        layered("readers", usual, rule, point, height={"step": STEP}),
        "measure",
        list(dict.fromkeys(readers["measure"])),
        own=("x",),
    )
    shown = ["letter", "measure", "birds", "estimate", "low", "high", "usual"]
    return finish(chart, readers=readers[shown])


def draw_last_digits(digits: pd.DataFrame) -> alt.FacetChart:
    """Share of readings by their last digit; the line is the tenth of a hand without preference.

    Parameters
    ----------
    digits : DataFrame
        measure, digit, readings, share, low, high.
    """
    base = alt.Chart()
    x = alt.X("digit:O", title="last digit", axis=alt.Axis(labelAngle=0, grid=False))
    y = alt.Y("share:Q", title="readings", axis=alt.Axis(format="%", tickCount=4))
    tooltip = [
        alt.Tooltip("digit:O", title="last digit"),
        alt.Tooltip("readings:Q", format=","),
        alt.Tooltip("share:Q", format=".1%"),
    ]
    bars = base.mark_bar(color=light("soft"), opacity=0.55).encode(x, y, tooltip=tooltip)
    doubt = base.mark_rule(strokeWidth=1.5, color=light("ink")).encode(
        x, alt.Y("low:Q"), y2="high:Q"
    )
    even = base.mark_rule(strokeDash=[3, 3], color=light("ink")).encode(y=alt.datum(0.1))
    chart = panels(
        layered("digits", bars, doubt, even, height=90),
        "measure",
        list(dict.fromkeys(digits["measure"])),
    )
    return finish(chart, digits=digits)
