"""Text files and workbooks as grids of cells, numbered as the user's spreadsheet numbers them."""

import csv
import io
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv
from pyarrow import parquet

from phenology.errors import StudyError
from phenology.sheets.grid import Cells, Grid, grid_of_rows
from phenology.sheets.workbook import WORKBOOKS, read_workbook

TEXTS = (".csv", ".tsv", ".txt")
READABLE = (*TEXTS, *WORKBOOKS, ".parquet")
_DELIMITERS = (",", ";", "\t", "|")
_LARGEST_TEXT = 2**31 - 1
_LONGEST_CELL = 2**20
_SAMPLE = 65536
_VARIED, _FEW_LINES = 0.9, 200


def read_grids(path: Path) -> list[Grid]:
    """Read every sheet of a file.

    Parameters
    ----------
    path : Path
        A text file, a workbook or a Parquet table.

    Returns
    -------
    list of Grid
        One for a text file, one a tab for a workbook. Empty rows keep their place.

    Raises
    ------
    StudyError
        If the file cannot be read or is not what its name says.
    """
    ending = path.suffix.lower()
    if ending in WORKBOOKS:
        return read_workbook(path)
    if ending == ".parquet":
        return [_read_parquet(path)]
    return [_read_text(path)]


def _read_text(path: Path) -> Grid:
    if path.stat().st_size > _LARGEST_TEXT:
        raise StudyError(f"{path.name} is larger than 2 GB.", "Split it, one file a year.")
    utf8 = _utf8(path)
    sample = utf8[:_SAMPLE].decode("utf-8", "ignore")
    if _looks_binary(sample):
        raise StudyError(
            f"{path.name} is no text file, whatever its name says.",
            "Save the sheet as CSV, or give the file its true ending.",
        )
    delimiter = find_delimiter(sample)
    grid = _read_even(path.name, utf8, delimiter)
    pa.default_memory_pool().release_unused()  # what the pieces of a large sheet took
    return grid if grid is not None else _read_ragged(path.name, utf8.decode(), delimiter)


def _utf8(path: Path) -> bytes:
    """Bytes of a text file as UTF-8 without byte-order mark."""
    raw = path.read_bytes()
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif raw[1:2] == b"\x00":
        encodings = ["utf-16-le"]
    else:
        encodings = ["utf-8-sig", "cp1252", "latin-1"]
    if raw.isascii() and b"\x00" not in raw[:2]:
        return raw
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        return raw.removeprefix(b"\xef\xbb\xbf") if encoding == "utf-8-sig" else text.encode()
    raise StudyError(f"{path.name} is not text in any usual encoding.", "Save it as UTF-8 CSV.")


def _looks_binary(sample: str) -> bool:
    control = sum(sample.count(chr(code)) for code in (*range(9), *range(14, 27), *range(28, 32)))
    return sample.startswith(("%PDF", "PK\x03\x04")) or control > max(2, len(sample) // 100)


def find_delimiter(sample: str) -> str:
    r"""Find the delimiter that cuts most lines of a sample into the same number of cells.

    Examples
    --------
    >>> find_delimiter('a;b;c\n1,5;2;3\n')
    ';'
    """
    lines = [line for line in sample.splitlines() if line.strip()][:60]

    def evenness(delimiter: str) -> tuple[int, int]:
        try:
            widths = [len(row) for row in csv.reader(lines, delimiter=delimiter) if len(row) > 1]
        except csv.Error:
            return 0, 0
        common = max(set(widths), key=lambda width: (widths.count(width), width), default=1)
        return widths.count(common), common

    return max(_DELIMITERS, key=evenness)


def _read_even(file: str, utf8: bytes, delimiter: str) -> Grid | None:
    """Read a text whose rows are all of one width; None if they are not."""
    sample = io.StringIO(utf8[:_SAMPLE].decode("utf-8", "ignore"), newline="")
    try:
        lines = list(csv.reader(sample, delimiter=delimiter))
    except csv.Error:
        return None
    names = [str(place) for place in range(len(lines[0]))] if lines else []
    if not names or (b"\r" in utf8 and utf8.count(b"\r") != utf8.count(b"\r\n")):
        return None
    coded = pa.dictionary(pa.int32(), pa.string())
    types = dict.fromkeys(names, coded)
    for place, name in enumerate(names):
        seen = [line[place] for line in lines[1:-1] if place < len(line)]
        if len(set(seen)) > _VARIED * max(len(seen), _FEW_LINES):
            types[name] = pa.string()  # nearly every cell its own: a dictionary would not pay
    try:
        table = arrow_csv.read_csv(
            pa.BufferReader(utf8),
            read_options=arrow_csv.ReadOptions(column_names=names, block_size=8 << 20),
            parse_options=arrow_csv.ParseOptions(
                delimiter=delimiter, ignore_empty_lines=False, newlines_in_values=b'"' in utf8
            ),
            convert_options=arrow_csv.ConvertOptions(column_types=types, strings_can_be_null=False),
        )
    except pa.ArrowInvalid:
        return None
    columns = [
        Cells.of_arrow(column.chunk(0))
        if pa.types.is_dictionary(column.type)
        else Cells(np.arange(len(column), dtype=np.int32), column.chunk(0))
        for column in table.unify_dictionaries().combine_chunks().columns
    ]
    return Grid(file, "", columns, table.num_rows)


def _read_ragged(file: str, text: str, delimiter: str) -> Grid:
    csv.field_size_limit(_LONGEST_CELL)
    reader = csv.reader(io.StringIO(text.replace("\x00", ""), newline=""), delimiter=delimiter)
    try:
        return grid_of_rows(file, "", list(reader))
    except csv.Error as error:
        raise StudyError(f"{file}, near line {reader.line_num}: {error}.") from None


def _read_parquet(path: Path) -> Grid:
    try:
        table = parquet.read_table(path)
        texts = [
            ["" if value is None else str(value) for value in column.to_pylist()]
            for column in table.columns
        ]
    except (pa.ArrowException, OSError, ValueError) as error:
        raise StudyError(f"{path.name} is no readable Parquet table: {error}.") from None
    columns = [
        Cells.of([name, *column]) for name, column in zip(table.column_names, texts, strict=True)
    ]
    return Grid(path.name, "", columns, table.num_rows + 1)
