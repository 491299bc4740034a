"""Estimates with their intervals, one a line, under headings."""

from __future__ import annotations

import altair as alt
import pandas as pd

from phenology.report.figures.ladder import HEADS, STEP, ladder
from phenology.report.figures.parts import (
    data,
    day_axis,
    finish,
    layered,
    role_colour,
    role_shape,
    roles_of,
)
from phenology.report.palette import light


def draw_intervals(
    rows: pd.DataFrame,
    panel: str,
    label: str,
    title: str,
    *,
    span: tuple[float, float] | None = None,
    none: float | None = None,
    number_format: str = ",.6~g",
    in_days: bool = False,
) -> alt.LayerChart:
    """Point and 90 % interval of each row; hollow where other data taught it.

    Parameters
    ----------
    rows : DataFrame
        Estimates: role, estimate, low, high, birds, basis and the two columns named next.
    panel, label : str
        Columns that head a panel and name a line; roles stand below one another.
    title : str
        Title of the axis, with its unit.
    span : pair of float, optional
        What the axis covers; by default the intervals drawn.
    none : float, optional
        Where no difference lies, drawn as a line.
    number_format : str, optional
        Of the axis, in d3's notation.
    in_days : bool
        Write the axis as dates; needs `span`.
    """
    has_role = bool((rows["role"] != "").any())
    laid = ladder(rows, panel, label)
    rows = laid.rows.assign(here=laid.rows["basis"] == "measured")
    legend = None if has_role else "none"
    roles, y = roles_of(rows), laid.y()
    x = alt.X(
        "low:Q",
        title=title,
        scale=alt.Scale(zero=False, nice=True, domain=list(span) if span else alt.Undefined),
        axis=day_axis(*span) if span and in_days else alt.Axis(format=number_format, tickCount=6),
    )
    base = alt.Chart()
    reach = base.mark_rule(strokeWidth=1.8).encode(
        x=x, x2="high:Q", y=y, color=role_colour(roles, symbol=legend)
    )
    tooltip = [
        alt.Tooltip(f"{panel}:N"),
        alt.Tooltip(f"{label}:N"),
        alt.Tooltip("role:N"),
        alt.Tooltip("estimate:Q", format=".3g"),
        alt.Tooltip("low:Q", format=".3g"),
        alt.Tooltip("high:Q", format=".3g"),
        alt.Tooltip("birds:Q"),
        alt.Tooltip("basis:N"),
    ]
    points = [
        base.transform_filter(f"datum.here == {str(here).lower()}")
        .mark_point(
            filled=here,
            size=64,
            opacity=1,
            strokeWidth=1.8,
            fill=alt.Undefined if here else light("paper"),
        )
        .encode(
            alt.X("estimate:Q"),
            y=y,
            color=role_colour(roles, symbol=legend),
            shape=role_shape(roles, symbol=legend),
            tooltip=tooltip,
        )
        for here in (True, False)
    ]
    layers = [reach, *points, *laid.draw_headings()]
    if none is not None:
        layers.insert(0, data(HEADS).mark_rule(color=light("soft")).encode(x=alt.datum(none)))
    chart = layered("estimates", *layers, height={"step": STEP})
    return finish(chart, estimates=rows, **{HEADS: laid.headings})
