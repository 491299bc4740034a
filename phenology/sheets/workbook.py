"""Workbooks, read in a child process so that a hostile file ends in a message."""

import lzma
import os
import re
import struct
import subprocess
import sys
import zipfile
import zlib
from pathlib import Path

import pyarrow as pa

from phenology.errors import StudyError
from phenology.sheets.grid import Cells, Grid

WORKBOOKS = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods")
CELL_LIMIT = 40_000_000
UNPACKED_LIMIT = 1_000_000_000
SUSPECT_SIZE = 100_000_000
SUSPECT_RATIO = 200
TIME_LIMIT_S = 120.0

_DIMENSION = re.compile(rb'<dimension ref="(?:[A-Z]+\d+:)?([A-Z]+)(\d+)"')


def read_workbook(path: Path, time_limit_s: float = TIME_LIMIT_S) -> list[Grid]:
    """Read every tab of a workbook.

    Parameters
    ----------
    path : Path
    time_limit_s : float, optional
        Seconds after which reading is given up [s].

    Returns
    -------
    list of Grid
        In the order of the tabs; empty rows and columns keep their place.

    Raises
    ------
    StudyError
        If the file is no workbook, is locked by a password, claims an absurd size, or cannot
        be read within the limits of time and memory.
    """
    _check_declared_size(path)
    package_home = str(Path(__file__).resolve().parents[2])
    search = os.pathsep.join(filter(None, [package_home, os.environ.get("PYTHONPATH", "")]))
    command = [sys.executable, "-P", "-m", "phenology.sheets.read_child", str(path)]
    try:
        answer = subprocess.run(  # noqa: S603 - our own interpreter and module
            command,
            capture_output=True,
            timeout=time_limit_s,
            check=False,
            stdin=subprocess.DEVNULL,
            env=os.environ | {"PYTHONPATH": search, "RUST_BACKTRACE": "0"},
        )
    except subprocess.TimeoutExpired:
        raise StudyError(
            f"{path.name} could not be read within {time_limit_s:.0f} seconds.",
            "Save its sheets as CSV, or split it, one file a year.",
        ) from None
    if answer.returncode == 2:
        raise StudyError(answer.stderr.decode("utf-8", "replace").strip())
    if answer.returncode != 0:
        raise StudyError(
            f"{path.name} needs more memory than a workbook should: a cell may stand far outside "
            "the table.",
            "Delete the rows and columns beyond the table, or save the sheets as CSV.",
        )
    grids = _grids(path.name, answer.stdout)
    if not grids:
        raise StudyError(
            f"{path.name} is no readable workbook: it has no tab.",
            "Save it anew as .xlsx or as CSV.",
        )
    return grids


_UNREADABLE = (  # what the library of the archive raises of damaged bytes
    *(zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, EOFError),
    *(NotImplementedError, RuntimeError, OSError, ValueError),
)


def _check_declared_size(path: Path) -> None:
    if not zipfile.is_zipfile(path):
        return
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            unpacked = sum(member.file_size for member in members)
            swollen = any(
                member.file_size > SUSPECT_SIZE
                and member.file_size > SUSPECT_RATIO * max(member.compress_size, 1)
                for member in members
            )
            if unpacked > UNPACKED_LIMIT or swollen:
                raise StudyError(
                    f"{path.name} unpacks to {unpacked / 1e6:.0f} MB, more than a field sheet can.",
                    "Save its sheets as CSV.",
                )
            for member in members:
                if member.filename.startswith("xl/worksheets/sheet"):
                    with archive.open(member) as part:
                        _check_dimension(path.name, part.read(4096))
    except _UNREADABLE as error:
        raise StudyError(f"{path.name} is no readable workbook: {error}.") from None


def _check_dimension(name: str, beginning: bytes) -> None:
    declared = _DIMENSION.search(beginning)
    if declared is None:
        return
    width = 0
    for letter in declared[1]:
        width = width * 26 + letter - ord("A") + 1
    height = int(declared[2])
    if width * height > CELL_LIMIT:
        raise StudyError(
            f"{name} claims {height} rows and {width} columns: a cell stands far outside the "
            "table.",
            "Delete the rows and columns beyond the table, or save the sheets as CSV.",
        )


def _grids(file: str, answer: bytes) -> list[Grid]:
    grids = []
    source = pa.BufferReader(answer)
    while source.tell() < source.size():
        with pa.ipc.open_stream(source) as stream:
            table = stream.read_all().unify_dictionaries().combine_chunks()
        named = table.schema.metadata
        columns = [Cells.of_arrow(column.chunk(0)) for column in table.columns]
        grids.append(Grid(file, named[b"tab"].decode(), columns, table.num_rows))
    return grids
