"""What taught each answer: this site and year, other years and sites, or the prior."""

from __future__ import annotations

import altair as alt
import pandas as pd

from phenology.report.figures.ladder import HEADS, STEP, ladder
from phenology.report.figures.parts import finish, layered
from phenology.report.palette import light
from phenology.report.titles import title_words

SOURCES = {
    "share_own": "own",
    "share_borrowed": "borrowed",
    "share_prior": "assumed",
}


def draw_learning(learning: pd.DataFrame) -> alt.LayerChart:
    """Shares of learning by quantity and site, summing to one.

    Parameters
    ----------
    learning : DataFrame
        quantity, site, role, share_own, share_borrowed, share_prior, answers.
    """
    shares = list(SOURCES)
    weight = learning["answers"]
    sums = (
        learning[shares]
        .mul(weight, axis=0)
        .assign(answers=weight, quantity=learning["quantity"], site=learning["site"])
    )
    means = sums.groupby(["quantity", "site"], as_index=False).sum()
    means[shares] = means[shares].div(means["answers"], axis=0)
    means["site"] = means["site"].replace("", "all sites")
    long = means.melt(["quantity", "site", "answers"], shares, "source", "share")
    long["place"] = long["source"].map({name: order for order, name in enumerate(shares)})
    long["source"] = long["source"].map(SOURCES)
    long["quantity"] = long["quantity"].map(title_words)
    sources = list(SOURCES.values())
    laid = ladder(long.assign(role=""), "quantity", "site")
    bars = (
        alt.Chart()
        .mark_bar(stroke=light("paper"), strokeWidth=1)
        .encode(
            alt.X(
                "share:Q",
                title="share of what taught the answers",
                axis=alt.Axis(format="%", tickCount=5),
                scale=alt.Scale(domain=[0, 1]),
            ),
            laid.y(),
            alt.Color(
                "source:N",
                title=None,
                sort=sources,
                scale=alt.Scale(domain=sources, range=[light("ink"), light("soft"), light("rule")]),
            ),
            order=alt.Order("place:Q"),
            tooltip=[
                alt.Tooltip("quantity:N"),
                alt.Tooltip("site:N"),
                alt.Tooltip("source:N"),
                alt.Tooltip("share:Q", format=".0%"),
                alt.Tooltip("answers:Q"),
            ],
        )
    )
    chart = layered("learning", bars, *laid.draw_headings(), height={"step": STEP})
    return finish(chart, learning=laid.rows, **{HEADS: laid.headings})
