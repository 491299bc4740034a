"""What a report is made of: sections that hold figures, tables and sentences, in that order."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from phenology.report.words import plain

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True)
class Figure:
    """A chart with one sentence that says what to see."""

    name: str
    chart: Any
    caption: str


@dataclass(frozen=True)
class Drawing:
    """An SVG of our own, already safe, with its sentence."""

    name: str
    svg: str
    caption: str


@dataclass(frozen=True)
class Table:
    """A table as shown: headings, and cells as text."""

    name: str
    caption: str
    headings: tuple[str, ...]
    rows: list[tuple[str, ...]]
    numeric: tuple[bool, ...]
    left_out: int = 0
    file: str = ""  # of tables/, where all rows stand
    folded: bool = False  # opened by the reader: a figure beside it shows the same


@dataclass(frozen=True)
class Words:
    """Paragraphs, or the points of a list, under an optional heading."""

    lines: tuple[str, ...]
    heading: str = ""
    look: Literal["paragraphs", "list", "equations", "quiet"] = "paragraphs"


Block = Figure | Drawing | Table | Words


@dataclass
class Section:
    """One part of the report; without blocks it does not appear."""

    anchor: str
    title: str
    lead: str = ""
    blocks: list[Block] = field(default_factory=list)

    def add(self, *blocks: Block) -> None:
        """Append blocks."""
        self.blocks.extend(blocks)


MOST_ROWS = 30  # of a table in the report; all of them stand in tables/*.csv


def table(
    name: str,
    caption: str,
    rows: pd.DataFrame,
    file: str = "",
    most: int = MOST_ROWS,
    *,
    folded: bool = False,
) -> Table:
    """A DataFrame as the report shows it: words for headings, text for cells.

    Examples
    --------
    >>> shown = table("rows", "Rows", pd.DataFrame({"rows_read": [1204], "sheet": ["captures"]}))
    >>> shown.headings, shown.rows
    (('rows read', 'sheet'), [('1,204', 'captures')])
    """
    kept = rows.head(most)
    columns = [_cells(kept[name]) for name in kept]
    return Table(
        name=name,
        caption=caption,
        headings=tuple(str(column).replace("_", " ") for column in rows),
        rows=list(zip(*columns, strict=True)),
        numeric=tuple(_is_number(rows[column]) for column in rows),
        left_out=len(rows) - len(kept),
        file=f"{file or name}.csv",
        folded=folded,
    )


def _is_number(column: pd.Series) -> bool:
    dtype = column.dtype
    return pd.api.types.is_numeric_dtype(dtype) and not pd.api.types.is_bool_dtype(dtype)


def _cells(column: pd.Series) -> list[str]:
    if pd.api.types.is_bool_dtype(column.dtype):
        return ["yes" if value else "no" for value in column]
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        return [str(value) for value in column.dt.strftime("%Y-%m-%d").fillna("—")]
    return [_cell(value) for value in column]


def _cell(value: object) -> str:
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return "—"
    if isinstance(value, float):
        return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.4g}"
    if isinstance(value, int) or pd.api.types.is_integer(value):
        return f"{value:,}"
    return plain(value, 400)


def points(lines: Sequence[str], heading: str = "") -> Words:
    """A list of sentences."""
    return Words(tuple(lines), heading=heading, look="list")
