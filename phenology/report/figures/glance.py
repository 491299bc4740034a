"""When each species is here, at a glance: one line a species, role and site."""

from __future__ import annotations

import altair as alt
import pandas as pd

from phenology.report.figures.parts import (
    day_axis,
    day_scale,
    finish,
    layered,
    panels,
    role_colour,
    role_dash,
    role_shape,
    roles_of,
    with_role,
)
from phenology.report.palette import light
from phenology.report.words import day_words

STEP = 15  # pixels a species and role


def draw_glance(timing: pd.DataFrame) -> alt.FacetChart:
    """Arrival to departure of each species with its day of most birds, all seasons together.

    Parameters
    ----------
    timing : DataFrame
        site, group (a species), role, then arrival_day, peak_day and departure_day, peak also
        with `_low` and `_high` [day of year].

    Returns
    -------
    altair.FacetChart
        One panel a site; a line without a beginning belongs to birds that were already there.
    """
    rows = with_role(timing)
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
    y = alt.Y("group:N", title=None, axis=alt.Axis(grid=False, ticks=False, domain=False))
    offset = alt.YOffset("role:N", scale=alt.Scale(domain=roles))
    tips = ["group:N", "role:N", "arrival:N", "peak:N", "departure:N"]
    base = alt.Chart()
    here = base.mark_rule(strokeWidth=2).encode(
        alt.X("begins:Q", scale=x_scale, axis=x_axis),
        y,
        role_colour(roles, symbol="filled"),
        role_dash(roles, symbol="filled"),
        x2="ends:Q",
        yOffset=offset,
    )
    reach = base.mark_rule(strokeWidth=8, opacity=0.25).encode(
        alt.X("peak_day_low:Q", scale=x_scale),
        y,
        role_colour(roles, symbol="filled"),
        x2="peak_day_high:Q",
        yOffset=offset,
    )
    most = base.mark_point(filled=True, size=70, opacity=1, stroke=light("paper")).encode(
        alt.X("peak_day:Q", scale=x_scale),
        y,
        role_colour(roles, symbol="filled"),
        role_shape(roles, symbol="filled"),
        yOffset=offset,
        tooltip=tips,
    )
    # A height by step, with a scale a panel, makes Vega-Lite warn that it has to guess.
    most_groups = int(rows.groupby("site")["group"].nunique().max())
    height = STEP * len(roles) * most_groups + STEP
    chart = layered("glance", here, reach, most, height=height)
    return finish(panels(chart, "site", sorted(rows["site"].unique()), own=("y",)), glance=rows)
