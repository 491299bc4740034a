"""Rows under headings in one view: each heading, label and role on a line of its own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import altair as alt
import pandas as pd

from phenology.report.figures.parts import data, roles_of, shown_names, with_role
from phenology.report.palette import light

STEP = 16  # pixels a line
HEADS = "headings"


@dataclass(frozen=True)
class Ladder:
    """Rows with the line each stands on, the lines of the headings, and all lines in order."""

    rows: pd.DataFrame
    headings: pd.DataFrame
    lines: list[str]

    def y(self) -> alt.Y:
        """The lines, named by what follows their number."""
        axis = alt.Axis(
            labelExpr="slice(datum.label, 4)", ticks=False, domain=False, grid=False, labelPadding=8
        )
        return alt.Y("line:N", title=None, scale=alt.Scale(domain=self.lines), axis=axis)

    def draw_headings(self) -> list[alt.Chart]:
        """Each heading at the left edge of the view, on a ground that lines do not cross."""
        return [self._headings(stroke=light("paper"), strokeWidth=5), self._headings()]

    def _headings(self, **look: Any) -> alt.Chart:
        drawn: alt.Chart = (
            data(HEADS)
            .mark_text(align="left", dy=-2, fontSize=13, fontWeight=600, color=light("ink"), **look)
            .encode(self.y(), x=alt.value(0), text="heading:N")
        )
        return drawn


def ladder(table: pd.DataFrame, heading: str, label: str) -> Ladder:
    """Lay rows out below the headings of their panels.

    Parameters
    ----------
    table : DataFrame
        With `role` and the two columns named next.
    heading, label : str
        Columns that head a panel and name a line in it; both in alphabetical order. A label that
        several roles share is written once.
    """
    rows = with_role(table)
    roles = roles_of(rows)
    number_of: dict[tuple[str, str, str], str] = {}
    heads: dict[str, str] = {}
    lines: list[str] = []

    def add(words: str) -> str:
        lines.extend(shown_names([f"{len(lines):03d} {words}"]))
        return lines[-1]

    for head, of_head in rows.groupby(heading, sort=True):
        if lines:
            add("")
        heads[add("")] = str(head)
        for words, of_label in of_head.groupby(label, sort=True):
            present = [role for role in roles if (of_label["role"] == role).any()]
            for place, role in enumerate(present):
                number_of[str(head), str(words), role] = add("" if place else str(words))
    keys = zip(rows[heading].astype(str), rows[label].astype(str), rows["role"], strict=True)
    headings = pd.DataFrame({"line": list(heads), "heading": list(heads.values())})
    return Ladder(rows.assign(line=[number_of[key] for key in keys]), headings, lines)


def ladder_px(rows: pd.DataFrame, heading: str, label: str) -> pd.Series[int]:
    """Height of each panel in a ladder, with its heading and the gap before it [px]."""
    lines = with_role(rows)[[heading, label, "role"]].drop_duplicates()
    return (lines.groupby(heading).size() + 2) * STEP
