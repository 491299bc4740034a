"""Files dropped on the page, taken into the study's folder: all of them or none."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path, PureWindowsPath
from typing import BinaryIO

from phenology.errors import StudyError
from phenology.sheets.contract import sheet_contracts
from phenology.sheets.rows import READABLE
from phenology.study.files import kind_of_name

BUILDING = ".dropped-"  # begins the name of a file not yet in its place
READ_HERE = (*READABLE, ".gpkg")
FORMER = "former"  # where a sheet goes that another takes the place of
MOST_FILES = 100


def add_files(
    folder: Path, dropped: Sequence[tuple[str, BinaryIO]], kind: str = "", *, replacing: bool
) -> list[str]:
    """Write files into a study's folder.

    Parameters
    ----------
    folder : Path
    dropped : sequence of (str, file)
        Name as the browser gave it, and content.
    kind : str
        Kind of sheet they hold, put before names that tell none; empty leaves names alone.
    replacing : bool
        Whether a file of the same name may be replaced; it is then kept in `former`.

    Returns
    -------
    list of str
        Their names in the study.

    Raises
    ------
    StudyError
        If a name cannot be used or stands there already; then nothing was written.
    """
    if not dropped:
        raise StudyError("No file was chosen.", "Choose a workbook or CSV files.")
    names = [file_name(name, kind) for name, _ in dropped]
    if len(set(names)) < len(names):
        raise StudyError("Two of the files have one name.", "Rename one of them.")
    there = [name for name in names if (folder / name).exists()]
    if there and not replacing:
        raise StudyError(
            f"{', '.join(there)} is in the study already.",
            "Rename the new file, or say that it replaces the old one.",
        )
    building: list[Path] = []
    try:
        for _, content in dropped:
            handle, made = tempfile.mkstemp(prefix=BUILDING, dir=folder)
            building.append(Path(made))
            with os.fdopen(handle, "wb") as file:
                shutil.copyfileobj(content, file)
            building[-1].chmod(0o644)
        for path, name in zip(building, names, strict=True):
            _keep_former(folder / name)
            path.replace(folder / name)
    except OSError as error:
        raise StudyError(f"{folder} cannot be written: {error.strerror}.") from None
    finally:
        for path in building:
            with suppress(OSError):  # gone into its place, or the system refuses this too
                path.unlink()
    return names


def file_name(given: str, kind: str = "") -> str:
    r"""A name that stays inside the study's folder.

    Examples
    --------
    >>> file_name("C:\\banding\\Fork 2031.xlsx", "captures")
    'captures_Fork 2031.xlsx'
    >>> file_name("../../effort.csv")
    'effort.csv'
    """
    name = PureWindowsPath(given).name.strip()
    shown = "".join(sign if sign.isprintable() else "·" for sign in name)[:80]
    if Path(name).suffix.lower() not in READ_HERE:
        raise StudyError(f"{shown} is no sheet.", f"These can be read: {', '.join(READ_HERE)}.")
    if name.startswith((".", "~$")) or len(name) > 120 or not name.isprintable():
        raise StudyError(f"{shown} is no name for a sheet.", "Rename the file.")
    if kind and kind in sheet_contracts() and kind_of_name(Path(name).stem) is None:
        return f"{kind}_{name}"
    return name


def _keep_former(path: Path) -> None:
    if not path.exists():
        return
    kept = path.parent / FORMER
    kept.mkdir(exist_ok=True)
    stamp = datetime.now().astimezone().strftime("%Y-%m-%d_%H%M%S_%f")
    copy = kept / f"{path.stem}_{stamp}{path.suffix}"
    try:
        copy.hardlink_to(path)  # the sheet itself stays in its place until the new one takes it
    except OSError:  # a disk without links
        shutil.copy2(path, copy)
