"""Doubts about the sheets, counted."""

from __future__ import annotations

import altair as alt
import pandas as pd

from phenology.report.figures.parts import data, finish, layered, shown_names
from phenology.report.palette import light

MOST_KINDS = 12  # drawn; the table holds all
SEVERITY_COLOURS = {"impossible": "doubt", "doubtful": "soft", "note": "rule"}


def draw_findings(findings: pd.DataFrame) -> alt.LayerChart:
    """Findings by kind, the impossible apart from the doubtful.

    Parameters
    ----------
    findings : DataFrame
        kind, severity, findings (a count).
    """
    counted = findings.groupby(["kind", "severity"], as_index=False)["findings"].sum()
    counted["kind"] = counted["kind"].str.replace("_", " ")
    counted["place"] = counted["severity"].map(list(SEVERITY_COLOURS).index)
    most = counted.groupby("kind")["findings"].sum().nlargest(MOST_KINDS).index
    counted = counted[counted["kind"].isin(most)]
    severities = [name for name in SEVERITY_COLOURS if name in set(counted["severity"])]
    many = counted.groupby("kind")["findings"].sum().sort_values(ascending=False)
    order = shown_names(many.index)
    bars = (
        data("findings")
        .mark_bar(height=9, yOffset=7)
        .encode(
            alt.X("findings:Q", title="findings", axis=alt.Axis(tickMinStep=1, tickCount=5)),
            alt.Y("kind:N", sort=order, axis=None),
            alt.Color(
                "severity:N",
                title=None,
                scale=alt.Scale(
                    domain=severities,
                    range=[light(SEVERITY_COLOURS[name]) for name in severities],
                ),
            ),
            order=alt.Order("place:Q"),
            tooltip=["kind:N", "severity:N", "findings:Q"],
        )
    )
    names = (
        data("findings")
        .transform_aggregate(findings="sum(findings)", groupby=["kind"])
        .mark_text(align="left", baseline="middle", yOffset=-6)
        .encode(x=alt.value(0), y=alt.Y("kind:N", sort=order, axis=None), text="kind:N")
    )
    chart = layered("findings", bars, names, height={"step": 34})
    return finish(chart, findings=counted)
