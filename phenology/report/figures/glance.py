"""When each species is here, at a glance: one line a species, role and site."""

from __future__ import annotations

import altair as alt
import pandas as pd

from phenology.report.figures.ladder import HEADS, STEP, ladder
from phenology.report.figures.parts import (
    day_axis,
    day_scale,
    finish,
    layered,
    role_colour,
    role_dash,
    role_shape,
    roles_of,
)
from phenology.report.palette import light
from phenology.report.words import day_words


def draw_glance(timing: pd.DataFrame) -> alt.LayerChart:
    """Arrival to departure of each species with its day of most birds, all seasons together.

    Parameters
    ----------
    timing : DataFrame
        site, group (a species), role, then arrival_day, peak_day and departure_day, peak also
        with `_low` and `_high` [day of year].

    Returns
    -------
    altair.LayerChart
        A heading a site; a line without a beginning belongs to birds that were already there.
    """
    laid = ladder(timing, "site", "group")
    rows = laid.rows
    first = float(rows[["arrival_day", "peak_day_low"]].min(axis=None))
    last = float(rows[["departure_day", "peak_day_high"]].max(axis=None))
    rows = rows.assign(
        begins=rows["arrival_day"].fillna(first),
        ends=rows["departure_day"].fillna(last),
        **{
            word: [day_words(day, "") if pd.notna(day) else "not told" for day in rows[column]]
            for word, column in (
                ("arrival", "arrival_day"),
                ("peak", "peak_day"),
                ("departure", "departure_day"),
            )
        },
    )
    roles = roles_of(rows)
    x_scale, x_axis = day_scale(first, last), day_axis(first, last)
    y = laid.y()
    tips = ["group:N", "role:N", "arrival:N", "peak:N", "departure:N"]
    base = alt.Chart()
    here = base.mark_rule(strokeWidth=2).encode(
        alt.X("begins:Q", scale=x_scale, axis=x_axis),
        y,
        role_colour(roles, symbol="filled"),
        role_dash(roles, symbol="filled"),
        x2="ends:Q",
    )
    reach = base.mark_rule(strokeWidth=8, opacity=0.25).encode(
        alt.X("peak_day_low:Q", scale=x_scale),
        y,
        role_colour(roles, symbol="filled"),
        x2="peak_day_high:Q",
    )
    most = base.mark_point(filled=True, size=70, opacity=1, stroke=light("paper")).encode(
        alt.X("peak_day:Q", scale=x_scale),
        y,
        role_colour(roles, symbol="filled"),
        role_shape(roles, symbol="filled"),
        tooltip=tips,
    )
    chart = layered("glance", here, reach, most, *laid.draw_headings(), height={"step": STEP})
    return finish(chart, glance=rows, **{HEADS: laid.headings})
