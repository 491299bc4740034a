"""One kind of sheet, read: clean rows, rows set aside, and what was doubtful."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from phenology.sheets.contract import Column, sheet_contracts
from phenology.sheets.fields import (
    Problem,
    empty_column,
    field_parser,
    parse_column,
    text_array,
)
from phenology.sheets.finding import Finding
from phenology.sheets.grid import Cells, Grid
from phenology.sheets.headings import SEARCHED_ROWS, Heading, HeadingRow, find_heading_row
from phenology.study.options import MEASUREMENT_UNITS, StudyOptions

_TOTAL = re.compile(r"\s*(grand )?(total|sum|mean|average|subtotal)s?\b.*", re.IGNORECASE)
_LABELLED = ("site", "species", "choice", "fat", "date", "time", "number")


@dataclass(frozen=True)
class Labels:
    """A column as numbers of its distinct values: what is asked of a value is asked once."""

    codes: npt.NDArray[np.int32]  # of each row; -1 where the value is missing
    values: list[Any]  # by number

    def rows(self, kept: npt.NDArray[Any]) -> Labels:
        """Labels of some rows."""
        return Labels(self.codes[kept], self.values)


@dataclass
class Part:
    """The rows below the headings of one file or tab."""

    grid: Grid
    heading_row: HeadingRow | None
    positions: npt.NDArray[np.int64]  # of the rows, in the grid
    cells: dict[str, Cells]  # of mapped columns, rows only

    def heading(self, name: str) -> Heading | None:
        """Heading of a column, if the sheet has it."""
        return self.heading_row.headings.get(name) if self.heading_row else None


@dataclass
class SheetRead:
    """A kind of sheet as read: every row is either in `used` or in `set_aside`."""

    kind: str
    used: pd.DataFrame
    set_aside: pd.DataFrame
    findings: list[Finding]
    rows_read: int
    parts: list[Part]
    origin: npt.NDArray[np.int64]  # (part, place in the part) of each used row
    known_labels: dict[str, Labels]
    worked_out: dict[str, Any] = field(default_factory=dict)  # of the used rows, once

    def where(self, place: int) -> tuple[str, str, int]:
        """File, tab and row of a used row."""
        part_number, row = (int(number) for number in self.origin[place])
        part = self.parts[part_number]
        return part.grid.file, part.grid.tab, int(part.positions[row]) + 1

    def labels(self, column: str) -> Labels:
        """Values of a column of the used rows, numbered."""
        if column not in self.known_labels:
            codes, values = pd.factorize(self.used[column])
            self.known_labels[column] = Labels(codes.astype(np.int32), list(values))
        return self.known_labels[column]

    def written(self, place: int, column: str) -> str:
        """Text of a used row's cell as the sheet has it; empty if the sheet lacks the column."""
        part_number, row = (int(number) for number in self.origin[place])
        cells = self.parts[part_number].cells.get(column)
        return cells.at(row) if cells is not None else ""


def sheet_columns(kind: str, options: StudyOptions) -> dict[str, Column]:
    """Columns of a kind of sheet: the contract's, then the study's own measurements."""
    columns = dict(sheet_contracts()[kind].columns)
    if kind == "captures":
        for name, own in options.measurements.items():
            columns[name] = Column(
                name=name,
                kind="number",
                meaning="measurement declared in study.toml",
                unit=MEASUREMENT_UNITS[name.rpartition("_")[2]],
                range=own.range,
            )
    return columns


def own_headings(kind: str, options: StudyOptions) -> dict[str, str]:
    """Headings of a kind of sheet that study.toml names."""
    own = dict(options.headings.get(kind, {}))
    if kind == "captures":
        own |= {name: entry.heading for name, entry in options.measurements.items()}
    return own


def read_part(kind: str, grid: Grid, options: StudyOptions) -> Part:
    """Find the headings of a grid and the rows below them."""
    columns = sheet_columns(kind, options)
    row = find_heading_row(grid.head(SEARCHED_ROWS), columns, own_headings(kind, options))
    filled = grid.filled()
    if row is None:
        return Part(grid, None, np.flatnonzero(filled), {})
    filled[: row.position + 1] = False
    positions = np.flatnonzero(filled)
    below: slice | npt.NDArray[np.int64] = positions
    if len(positions) == grid.height - row.position - 1:
        below = slice(row.position + 1, None)  # copies nothing
    cells = {}
    for name, heading in row.headings.items():
        whole = grid.columns[heading.place]
        if heading.column.kind != "text":
            whole = grid.columns[heading.place] = whole.distinct()
        cells[name] = Cells(whole.codes[below], whole.texts)
    return Part(grid, row, positions, cells)


def read_sheet(
    kind: str,
    parts: Sequence[Part],
    options: StudyOptions,
    sites: Mapping[str, str] | None = None,
) -> SheetRead:
    """Read all files of one kind of sheet.

    Parameters
    ----------
    kind : str
        Kind of sheet, a key of the contract.
    parts : sequence of Part
        The files and tabs, as `read_part` gives them.
    options : StudyOptions
    sites : mapping, optional
        Known stations: bare spelling to name.

    Returns
    -------
    SheetRead
        `used` has the contract's columns, then file, tab, row.
    """
    columns = sheet_columns(kind, options)
    parsed = [_parse_part(kind, part, columns, options, sites) for part in parts]
    kept = [np.flatnonzero(~read.aside) for read in parsed]
    frames = [
        read.frame if len(rows) == len(read.frame) else read.frame.iloc[rows].reset_index(drop=True)
        for read, rows in zip(parsed, kept, strict=True)
    ]
    numbers = np.repeat(np.arange(len(parts)), [len(rows) for rows in kept])
    set_aside = [
        written_rows(kind, part, np.flatnonzero(read.aside), read.reasons)
        for part, read in zip(parts, parsed, strict=True)
        if read.aside.any()
    ]
    return SheetRead(
        kind=kind,
        used=frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True),
        set_aside=pd.concat(set_aside, ignore_index=True) if set_aside else pd.DataFrame(),
        findings=[finding for read in parsed for finding in read.findings],
        rows_read=sum(len(part.positions) for part in parts),
        parts=list(parts),
        origin=np.column_stack([numbers, np.concatenate(kept)]).astype(np.int64),
        known_labels=_number_labels(parts, parsed, kept),
    )


def _number_labels(
    parts: Sequence[Part], parsed: Sequence[_PartRead], kept: Sequence[npt.NDArray[np.int64]]
) -> dict[str, Labels]:
    """Number the labels of every labelled column that all parts have, over all parts."""
    shared = set.intersection(*(set(read.labels) for read in parsed))
    labels = {}
    for name in shared:
        numbers: dict[Any, int] = {None: -1}
        pieces = []
        for part, read, rows in zip(parts, parsed, kept, strict=True):
            for label in read.labels[name]:
                numbers.setdefault(label, len(numbers) - 1)
            of_text = np.array([numbers[label] for label in read.labels[name]], dtype=np.int32)
            codes = part.cells[name].codes.astype(np.int32, copy=False)
            if not np.array_equal(of_text, np.arange(len(of_text))):
                codes = of_text[codes]
            pieces.append(codes if len(rows) == len(codes) else codes[rows])
        together = pieces[0] if len(pieces) == 1 else np.concatenate(pieces)
        del numbers[None]
        labels[name] = Labels(together, list(numbers))
    return labels


@dataclass(frozen=True)
class _PartRead:
    """Rows of a part, parsed: those set aside are still among them."""

    frame: pd.DataFrame
    aside: npt.NDArray[np.bool_]
    reasons: dict[int, str]
    findings: list[Finding]
    labels: dict[str, list[Any]]


def _parse_part(
    kind: str,
    part: Part,
    columns: Mapping[str, Column],
    options: StudyOptions,
    sites: Mapping[str, str] | None,
) -> _PartRead:
    height = len(part.positions)
    findings = list(_heading_findings(kind, part, columns))
    reasons = dict(_rows_that_are_none(part))
    no_record = np.zeros(height, dtype=bool)
    no_record[list(reasons)] = True
    aside = no_record.copy()
    values: dict[str, Any] = {}
    labels: dict[str, list[Any]] = {}
    for name, column in columns.items():
        cells, heading = part.cells.get(name), part.heading(name)
        if cells is None or heading is None:
            values[name] = empty_column(column, height)
        else:
            parser, book = field_parser(kind, column, options, factor=heading.factor, sites=sites)
            result = parse_column(cells, column, parser, book)
            values[name] = result.values
            findings += _cell_findings(kind, part, name, result.problems, no_record)
            if result.labels is not None and column.kind in _LABELLED:
                labels[name] = result.labels
        if column.missing == "set aside":
            gone = np.asarray(pd.isna(values[name]), dtype=bool)
            for place in np.flatnonzero(gone & ~no_record):
                told = reasons.get(int(place))
                reasons[int(place)] = f"{told}; no usable {name}" if told else f"no usable {name}"
            aside |= gone
    # Corrections name a file and a row of another sheet: their own columns stay.
    values.setdefault("file", _constant(part.grid.file, height))
    values.setdefault("tab", _constant(part.grid.tab, height))
    values.setdefault("row", part.positions + 1)
    return _PartRead(pd.DataFrame(values, copy=False), aside, reasons, findings, labels)


def _constant(text: str, rows: int) -> Any:
    return text_array(pa.repeat(pa.scalar(text, pa.large_string()), rows))


def _rows_that_are_none(part: Part) -> Iterable[tuple[int, str]]:
    """Rows below the headings that hold no record: the headings again, totals."""
    row = part.heading_row
    if row is None:
        yield from ((place, "no heading row was found") for place in range(len(part.positions)))
        return
    same = np.zeros(len(part.positions), dtype=np.int64)
    for name, heading in row.headings.items():
        cells = part.cells[name]
        same += cells.codes == part.grid.columns[heading.place].codes[row.position]
    again = same >= max(2, (len(row.headings) + 1) // 2)
    for place in np.flatnonzero(again):
        yield int(place), "the headings again"
    first = part.grid.columns[0]
    totals = [code for code, text in enumerate(_texts(first)) if _TOTAL.fullmatch(text)]
    if totals:
        for place in np.flatnonzero(np.isin(first.codes[part.positions], totals) & ~again):
            yield int(place), "a total of rows above"


def _texts(cells: Cells) -> list[str]:
    """Distinct texts; none where there are so many that they cannot be labels."""
    return list(cells.texts.to_pylist()) if len(cells.texts) < 100_000 else []


def _heading_findings(kind: str, part: Part, columns: Mapping[str, Column]) -> Iterable[Finding]:
    grid = part.grid

    def finding(kind_of: str, severity: str, text: str, message: str, advice: str = "") -> Finding:
        row = part.heading_row.position + 1 if part.heading_row else None
        return Finding(
            kind, grid.file, grid.tab, row, "", text, kind_of, severity, message, advice, "kept"
        )

    if part.heading_row is None:
        expected = ", ".join(list(columns)[:6])
        yield finding(
            "no_headings", "impossible", "", f"no row names its columns ({expected}, …)"
        )._replace(action="set aside")
        return
    for text, near in part.heading_row.unmapped.items():
        advice = f'perhaps {near} = "{text}" in [columns.{kind}]' if near else ""
        yield finding("unknown_heading", "note", text, "this column is not read", advice)
    for text in part.heading_row.doubled:
        yield finding(
            "doubled_heading", "doubtful", text, "a column before it has this meaning already"
        )
    for name, heading in part.heading_row.headings.items():
        if heading.factor != 1.0:
            message = f"its unit is converted to {columns[name].unit} (times {heading.factor:g})"
            yield finding("converted_unit", "note", heading.text, message)._replace(column=name)


def _cell_findings(
    kind: str,
    part: Part,
    name: str,
    problems: Mapping[int, Problem],
    skipped: npt.NDArray[np.bool_],
) -> Iterable[Finding]:
    if not problems:
        return
    cells = part.cells[name]
    wanted = np.zeros(len(cells.texts), dtype=bool)
    wanted[list(problems)] = True
    told: set[int] = set()
    for place in np.flatnonzero(wanted[cells.codes] & ~skipped):
        code = int(cells.codes[place])
        problem = problems[code]
        if problem.once and code in told:
            continue
        told.add(code)
        yield Finding(
            sheet=kind,
            file=part.grid.file,
            tab=part.grid.tab,
            row=int(part.positions[place]) + 1,
            column=name,
            value=cells.at(int(place)),
            kind=problem.kind,
            severity=problem.severity,
            message=problem.message,
            suggestion=problem.suggestion,
            action=problem.action,
        )


def written_rows(
    kind: str, part: Part, places: npt.NDArray[np.int64], reasons: Mapping[int, str]
) -> pd.DataFrame:
    """Rows of a part as written, with where they stand and why they are set aside."""
    grid = part.grid
    written: dict[str, Any] = {
        "sheet": kind,
        "file": grid.file,
        "tab": grid.tab,
        "row": part.positions[places] + 1,
        "reason": [reasons[int(place)] for place in places],
    }
    for number, cells in enumerate(grid.columns):
        name = cells.at(part.heading_row.position) if part.heading_row else ""
        name = name.strip() or f"column {number + 1}"
        while name in written:
            name = f"{name} (again)"
        written[name] = cells.values(part.positions[places])
    return pd.DataFrame(written)
