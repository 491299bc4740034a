"""The corrections sheet: the one way to change a value, while the sheets stay as they are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from phenology.csv_text import exact_cell, inert_cell
from phenology.sheets.contract import sheet_contracts
from phenology.sheets.finding import Finding
from phenology.sheets.read import Part, SheetRead


def apply_corrections(corrections: SheetRead, parts: Mapping[str, Sequence[Part]]) -> list[Finding]:
    """Put the new values of the corrections in the place of the old ones, before parsing.

    Parameters
    ----------
    corrections : SheetRead
        Sheet, file, row, column, old and new of each correction.
    parts : mapping of parts
        By kind of sheet; their cells are changed, their grids are not.

    Returns
    -------
    list of Finding
        Corrections that could not be applied: no such cell, or `old` does not match it.
    """
    findings = []
    for place, correction in enumerate(corrections.used.itertuples(index=False)):
        problem = _apply(correction, parts)
        if problem:
            file, tab, row = corrections.where(place)
            findings.append(
                Finding(
                    sheet="corrections",
                    file=file,
                    tab=tab,
                    row=row,
                    column="old" if "old" in problem else "row",
                    value=_text(correction.old) if "old" in problem else str(correction.row),
                    kind="correction_not_applied",
                    severity="impossible",
                    message=problem,
                    suggestion="",
                    action="kept",
                )
            )
    return findings


def _apply(correction: object, parts: Mapping[str, Sequence[Part]]) -> str:
    """Apply one correction; words for why it cannot be."""
    sheet = _text(getattr(correction, "sheet", "")).casefold()
    column, file = _text(getattr(correction, "column", "")), _text(getattr(correction, "file", ""))
    row = int(getattr(correction, "row", 0))
    if sheet not in parts:
        return f"the study has no sheet of {sheet or 'that name'}"
    at = [
        (part, place)
        for part in parts[sheet]
        if file in ("", part.grid.file, part.grid.tab)
        for place in (part.positions == row - 1).nonzero()[0].tolist()
    ]
    if not at:
        return f"{sheet} has no row {row}" + (f" in {file}" if file else "")
    if len(at) > 1:
        files = ", ".join(part.grid.file for part, _ in at)
        return f"several files have a row {row}: say which in `file` ({files})"
    part, place = at[0]
    cells = part.cells.get(column)
    if cells is None:
        known = column in sheet_contracts()[sheet].columns
        return (
            f"{part.grid.file} has no column {column}" if known else f"no column is named {column}"
        )
    old, written = _text(getattr(correction, "old", "")), cells.at(place).strip()
    if old not in (written, inert_cell(written).strip()):
        return f"the old value does not match: the sheet has {written!r}"
    cells.put(place, exact_cell(_text(getattr(correction, "new", ""))))
    return ""


def _text(value: object) -> str:
    return value.strip() if isinstance(value, str) else ""
