"""What every check works on, and what it answers with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.sheets.finding import Finding
from phenology.sheets.read import SheetRead, written_rows
from phenology.study.options import StudyOptions


class Doubt(NamedTuple):
    """A doubt about a used row: `place` counts the used rows of the sheet from 0."""

    sheet: str
    place: int
    column: str
    kind: str
    severity: str
    message: str
    suggestion: str = ""
    action: str = "kept"


@dataclass(frozen=True)
class Sheets:
    """All sheets of a study as read, and what study.toml says."""

    options: StudyOptions
    reads: dict[str, SheetRead]

    @property
    def captures(self) -> pd.DataFrame:
        """Used rows of the captures."""
        return self.reads["captures"].used

    def used(self, kind: str) -> pd.DataFrame | None:
        """Used rows of a kind of sheet, None if the study lacks it or it has none."""
        read = self.reads.get(kind)
        return read.used if read is not None and len(read.used) else None


def find_of(sheets: Sheets, doubt: Doubt) -> Finding:
    """Turn a doubt into a finding, with where its cell stands and what is written there."""
    read = sheets.reads[doubt.sheet]
    file, tab, row = read.where(doubt.place)
    return Finding(
        sheet=doubt.sheet,
        file=file,
        tab=tab,
        row=row,
        column=doubt.column,
        value=read.written(doubt.place, doubt.column) if doubt.column else "",
        kind=doubt.kind,
        severity=doubt.severity,
        message=doubt.message,
        suggestion=doubt.suggestion,
        action=doubt.action,
    )


def settle(sheets: Sheets, doubts: list[Doubt]) -> list[Finding]:
    """Do what the doubts ask for (blank a cell, set a row aside) and tell them as findings."""
    findings = [find_of(sheets, doubt) for doubt in doubts]
    for kind, read in sheets.reads.items():
        here = [doubt for doubt in doubts if doubt.sheet == kind]
        blanked: dict[str, list[int]] = {}
        aside: dict[int, str] = {}
        for doubt in here:
            if doubt.action == "blanked":
                blanked.setdefault(doubt.column, []).append(doubt.place)
            elif doubt.action == "set aside":
                aside.setdefault(doubt.place, doubt.message)
        for column, places in blanked.items():
            values = read.used[column].copy()
            values.iloc[places] = pd.NA if values.dtype.kind not in "fM" else None
            read.used[column] = values
        if aside:
            _move_aside(read, aside)
    return findings


def _move_aside(read: SheetRead, aside: dict[int, str]) -> None:
    places = np.array(sorted(aside), dtype=np.int64)
    written = [read.set_aside] if len(read.set_aside) else []
    for number, part in enumerate(read.parts):
        here = places[read.origin[places, 0] == number]
        if len(here):
            rows: npt.NDArray[np.int64] = read.origin[here, 1]
            reasons = {int(row): aside[int(place)] for row, place in zip(rows, here, strict=True)}
            written.append(written_rows(read.kind, part, rows, reasons))
    kept = np.ones(len(read.used), dtype=bool)
    kept[places] = False
    read.set_aside = pd.concat(written, ignore_index=True)
    read.used = read.used[kept].reset_index(drop=True)
    read.origin = read.origin[kept]
    read.worked_out.clear()
    read.known_labels = {name: labels.rows(kept) for name, labels in read.known_labels.items()}
