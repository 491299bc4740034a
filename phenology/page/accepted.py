"""Corrections accepted on the page, added to corrections.csv whole or not at all."""

from __future__ import annotations

import csv
import hashlib
import io
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from phenology.errors import StudyError

if TYPE_CHECKING:
    from phenology.study.study import Study

CORRECTIONS = "corrections.csv"
# What some findings advise is no value of a cell.
_ADVICE = ("add ", "say ", "move them", "perhaps ", "names begin")


@dataclass(frozen=True)
class Correction:
    """One row of the corrections: which cell, what stands there, what should, who says so."""

    sheet: str
    file: str
    row: int
    column: str
    old: str
    new: str
    who: str
    why: str


COLUMNS = tuple(field.name for field in fields(Correction))


def suggested_value(suggestion: str) -> str:
    """What a finding suggests to write into the cell; empty where it only advises.

    Examples
    --------
    >>> suggested_value("40.3"), suggested_value("add it to the sites")
    ('40.3', '')
    """
    return "" if suggestion.startswith(_ADVICE) else suggestion


def mark_of(finding: Mapping[Any, Any]) -> str:
    """A short mark that tells a finding from every other and changes with its cell."""
    cell = [
        str(finding[name]) for name in ("sheet", "file", "tab", "row", "column", "value", "kind")
    ]
    return hashlib.sha256("\x1f".join(cell).encode()).hexdigest()[:20]


def correction_of(finding: Mapping[Any, Any], study: Study, new: str, who: str) -> Correction:
    """The correction of a finding's cell, with its audit: who, why and on which day."""
    today = datetime.now().astimezone().date().isoformat()
    kind, message = finding["kind"].replace("_", " "), finding["message"][:300]
    return Correction(
        sheet=finding["sheet"],
        file=_file_of(finding, study),
        row=int(finding["row"]),
        column=finding["column"],
        old=finding["value"],
        new=new.strip(),
        who=who[:60],
        why=f"{kind}: {message}; accepted on the local page, {today}",
    )


def _file_of(finding: Mapping[Any, Any], study: Study) -> str:
    """What names the cell's file in a correction: its tab, if the file has several of the kind."""
    sheet = study.sheets[finding["sheet"]]
    tabs = sheet.loc[sheet["file"] == finding["file"], "tab"].unique()
    return str(finding["tab"] if finding["tab"] and len(tabs) > 1 else finding["file"])


def append_correction(folder: Path, correction: Correction) -> None:
    """Add one row to a study's corrections.csv; a crash at any moment leaves the former file.

    Parameters
    ----------
    folder : Path
        The study.
    correction : Correction

    Raises
    ------
    StudyError
        If the file cannot be written, or is not one that a row can be added to.
    """
    path = folder / CORRECTIONS
    try:
        former = path.read_bytes() if path.exists() else b""
        replace_file(path, former + _line(former, correction))
    except OSError as error:
        raise StudyError(
            f"{CORRECTIONS} cannot be written: {error.strerror}.", "It was left as it was."
        ) from None


def _line(former: bytes, correction: Correction) -> bytes:
    """The row as bytes, with headings before it if there are none, in the file's own order."""
    from phenology.csv_text import inert_cell

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    headings = list(COLUMNS)
    if former.strip():
        try:
            headings = next(csv.reader(io.StringIO(former.decode("utf-8-sig"))))
        except (UnicodeDecodeError, StopIteration, csv.Error):
            headings = []
        headings = [heading.strip() for heading in headings]
        if not set(COLUMNS) <= set(headings):
            raise StudyError(
                f"{CORRECTIONS} has other headings than {', '.join(COLUMNS)}.",
                "Rename it, for instance to corrections_ours.csv: both are then read.",
            )
        if not former.endswith((b"\n", b"\r")):
            out.write("\n")
    else:
        writer.writerow(headings)
    values = {name: inert_cell(str(getattr(correction, name))) for name in COLUMNS}
    writer.writerow([values.get(heading, "") for heading in headings])
    return out.getvalue().encode()


def replace_file(path: Path, content: bytes) -> None:
    """Put a file in the place of another in one step."""
    handle, building = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(building).chmod(path.stat().st_mode & 0o777 if path.exists() else 0o644)
        os.replace(building, path)  # noqa: PTH105  # atomic, and plain about it
    except BaseException:
        Path(building).unlink(missing_ok=True)
        raise
