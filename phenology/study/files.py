"""Which files and tabs of a study folder hold which kind of sheet."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from difflib import get_close_matches
from pathlib import Path

from phenology.errors import StudyError
from phenology.sheets.contract import sheet_contracts
from phenology.sheets.finding import Finding
from phenology.sheets.grid import Grid
from phenology.sheets.layer import LAYERS, read_site_polygons
from phenology.sheets.rows import READABLE, read_grids
from phenology.sheets.workbook import WORKBOOKS


def kind_of_name(name: str) -> str | None:
    """Kind of sheet that a file's or tab's name begins with.

    Examples
    --------
    >>> kind_of_name("captures_2031"), kind_of_name("Effort 2031"), kind_of_name("capturesheet")
    ('captures', 'effort', None)
    """
    plain = name.strip().casefold()
    for kind in sheet_contracts():
        if re.match(rf"{kind}(?![a-z])", plain):
            return kind
    return None


def sheet_files(folder: Path) -> list[Path]:
    """Files of a study folder that can hold sheets, by name."""
    try:
        return sorted(
            path
            for path in folder.iterdir()
            if path.suffix.lower() in READABLE
            and path.is_file()
            and not path.name.startswith((".", "~$"))
        )
    except OSError as error:
        raise StudyError(f"{folder} cannot be read: {error.strerror or error}.") from None


def read_folder(folder: Path) -> tuple[dict[str, list[Grid]], list[Finding], dict[str, str]]:
    """Read every sheet of a study folder.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    grids : dict of list of Grid
        By kind of sheet, in order of file names and tabs.
    findings : list of Finding
        Files that could not be given a kind.
    inputs : dict
        SHA-256 of every file read, by name.
    """
    grids: dict[str, list[Grid]] = {}
    findings: list[Finding] = []
    inputs: dict[str, str] = {}
    for path in sheet_files(folder):
        with _unchanged(path, inputs):
            found = dict(_kinds_in(path))
        if not found:
            del inputs[path.name]
            findings.append(_not_read(path.name))
            continue
        for grid, kind in found.values():
            grids.setdefault(kind, []).append(grid)
    if "sites" not in grids:
        for path in _site_layers(folder):
            with _unchanged(path, inputs):
                grids.setdefault("sites", []).append(read_site_polygons(path))
    return grids, findings, inputs


@contextmanager
def _unchanged(path: Path, inputs: dict[str, str]) -> Iterator[None]:
    """Note a file's hash, and see that what is read meanwhile is what was hashed."""
    try:
        before = _stamp(path)
        inputs[path.name] = file_hash(path)
        yield
        same = _stamp(path) == before
    except OSError as error:
        raise StudyError(f"{path.name} cannot be read: {error.strerror or error}.") from None
    if not same:
        raise StudyError(
            f"{path.name} was changed while it was being read.",
            "Save it, wait until it is saved, and start again.",
        )


def _stamp(path: Path) -> tuple[int, int, int]:
    """What changes whenever a file is written or replaced."""
    state = path.stat()
    return state.st_ino, state.st_size, state.st_mtime_ns


def _site_layers(folder: Path) -> list[Path]:
    """Polygons of sites; they are the sheet of sites where no other is."""
    return sorted(
        path
        for path in folder.iterdir()
        if path.suffix.lower() in LAYERS and path.is_file() and kind_of_name(path.stem) == "sites"
    )


def layer_paths(folder: Path) -> dict[str, Path]:
    """Files of polygons by what they hold: sites, habitat, events."""
    return {
        sheet: path
        for sheet in ("sites", "habitat", "events")
        for suffix in reversed(list(LAYERS))
        if (path := folder / f"{sheet}{suffix}").is_file()
    }


def _kinds_in(path: Path) -> Iterable[tuple[int, tuple[Grid, str]]]:
    kind = kind_of_name(path.stem)
    if path.suffix.lower() not in WORKBOOKS:
        if kind is not None:
            yield 0, (read_grids(path)[0], kind)
        return
    tabs = read_grids(path)
    by_tab = {number: kind_of_name(grid.tab) for number, grid in enumerate(tabs)}
    if any(by_tab.values()):
        for number, named in by_tab.items():
            if named is not None:
                yield number, (tabs[number], named)
    elif kind is not None:
        filled = [number for number, grid in enumerate(tabs) if grid.filled().any()]
        for number in filled[:1] or [0]:
            yield number, (tabs[number], kind)


def _not_read(name: str) -> Finding:
    stem = re.split(r"[^a-z]", Path(name).stem.casefold())[0]
    near = get_close_matches(stem, list(sheet_contracts()), n=1, cutoff=0.7)
    kinds = ", ".join(sheet_contracts())
    advice = f"perhaps {near[0]}" if near else f"names begin with a kind of sheet: {kinds}"
    message = "this file is not read: its name tells no kind of sheet"
    return Finding("", name, "", None, "", "", "file_not_read", "note", message, advice, "kept")


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def changed_inputs(folder: Path, inputs: Mapping[str, str]) -> tuple[str, ...]:
    """What became of a study's files since they were read.

    Parameters
    ----------
    folder : Path
    inputs : mapping of str
        SHA-256 of every file read then, by its name in the folder.

    Returns
    -------
    tuple of str
        One sentence for each file that was changed, removed or added.
    """
    told = []
    for name, known in inputs.items():
        path = folder / name
        if not path.is_file():
            told.append(f"{name} was removed since the run.")
        elif file_hash(path) != known:
            told.append(f"{name} was changed since the run.")
    added = [path for path in sheet_files(folder) if path.name not in inputs]
    return (*told, *(f"{p.name} was added since the run." for p in added if dict(_kinds_in(p))))
