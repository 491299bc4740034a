"""One kind of sheet, read: clean rows, rows set aside, and what was doubtful."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.sheets.contract import Column, sheet_contracts
from phenology.sheets.fields import Problem, empty_column, field_parser, parse_column
from phenology.sheets.finding import Finding
from phenology.sheets.grid import Cells, Grid
from phenology.sheets.headings import SEARCHED_ROWS, Heading, HeadingRow, find_heading_row
from phenology.study.options import MEASUREMENT_UNITS, StudyOptions

_TOTAL = re.compile(r"\s*(grand )?(total|sum|mean|average|subtotal)s?\b.*", re.IGNORECASE)
_SHOWN_LENGTH = 80


@dataclass
class Part:
    """The rows below the headings of one file or tab."""

    grid: Grid
    heading_row: HeadingRow | None
    positions: npt.NDArray[np.int64]  # of the rows, in the grid
    cells: dict[str, Cells]  # of mapped columns, rows only

    def row_numbers(self) -> npt.NDArray[np.int64]:
        """Rows as the spreadsheet numbers them."""
        return self.positions + 1

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
    cells = {
        name: Cells(grid.columns[heading.place].codes[positions], grid.columns[heading.place].texts)
        for name, heading in row.headings.items()
    }
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
    frames = [frame[~aside] for frame, aside, _, _ in parsed]
    origins = [
        np.column_stack([np.full(int((~aside).sum()), number), np.flatnonzero(~aside)])
        for number, (_, aside, _, _) in enumerate(parsed)
    ]
    set_aside = [
        written_rows(kind, part, np.flatnonzero(aside), reasons)
        for part, (_, aside, reasons, _) in zip(parts, parsed, strict=True)
        if aside.any()
    ]
    return SheetRead(
        kind=kind,
        used=pd.concat(frames, ignore_index=True),
        set_aside=pd.concat(set_aside, ignore_index=True) if set_aside else pd.DataFrame(),
        findings=[finding for _, _, _, findings in parsed for finding in findings],
        rows_read=sum(len(part.positions) for part in parts),
        parts=list(parts),
        origin=np.concatenate(origins).astype(np.int64),
    )


def _parse_part(
    kind: str,
    part: Part,
    columns: Mapping[str, Column],
    options: StudyOptions,
    sites: Mapping[str, str] | None,
) -> tuple[pd.DataFrame, npt.NDArray[np.bool_], dict[int, str], list[Finding]]:
    height = len(part.positions)
    aside = np.zeros(height, dtype=bool)
    reasons: dict[int, str] = {}
    findings = list(_heading_findings(kind, part, columns))
    if part.heading_row is None:
        aside[:] = True
        reasons = dict.fromkeys(range(height), "no heading row was found")
    else:
        for place, reason in _rows_that_are_none(part):
            aside[place] = True
            reasons[place] = reason
    no_rows = aside.copy()
    values: dict[str, Any] = {}
    for name, column in columns.items():
        cells, heading = part.cells.get(name), part.heading(name)
        if cells is None or heading is None:
            values[name] = empty_column(column, height)
            gone = np.ones(height, dtype=bool)
        else:
            parser, book = field_parser(kind, column, options, heading.factor, sites)
            result = parse_column(cells, column, parser, book)
            values[name] = result.values
            findings += _cell_findings(kind, part, name, cells, result.problems, no_rows)
            gone = (
                np.asarray(pd.isna(result.values), dtype=bool)
                if column.missing == "set aside"
                else aside
            )
        if column.missing == "set aside":
            for place in np.flatnonzero(gone & ~no_rows):
                told = reasons.get(int(place))
                reasons[int(place)] = f"{told}; no usable {name}" if told else f"no usable {name}"
            aside |= gone
    frame = pd.DataFrame(values, copy=False)
    nowhere = np.zeros(height, dtype=np.int32)
    text = Column("", "text", "")
    frame["file"] = _constant(part.grid.file, nowhere)
    frame["tab"] = _constant(part.grid.tab, nowhere)
    frame["row"] = part.row_numbers()
    del text
    return frame, aside, reasons, findings


def _constant(text: str, codes: npt.NDArray[np.int32]) -> Any:
    return pd.array([text], dtype="str").take(codes)


def _rows_that_are_none(part: Part) -> Iterable[tuple[int, str]]:
    """Rows below the headings that hold no record: the headings again, totals."""
    row = part.heading_row
    if row is None:
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
    cells: Cells,
    problems: Mapping[int, Problem],
    skipped: npt.NDArray[np.bool_],
) -> Iterable[Finding]:
    if not problems:
        return
    rows = part.row_numbers()
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
            row=int(rows[place]),
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
        "row": part.row_numbers()[places],
        "reason": [reasons[int(place)] for place in places],
    }
    for number, cells in enumerate(grid.columns):
        name = cells.at(part.heading_row.position) if part.heading_row else ""
        name = name.strip() or f"column {number + 1}"
        while name in written:
            name = f"{name} (again)"
        written[name] = cells.values(part.positions[places])
    return pd.DataFrame(written)
