"""Text files and workbooks as grids of cells, numbered as the user's spreadsheet numbers them."""

import csv
import io
from pathlib import Path

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
    text = _decoded(path)
    if _looks_binary(text):
        raise StudyError(
            f"{path.name} is no text file, whatever its name says.",
            "Save the sheet as CSV, or give the file its true ending.",
        )
    delimiter = find_delimiter(text[:_SAMPLE])
    grid = _read_even(path.name, text, delimiter)
    return grid if grid is not None else _read_ragged(path.name, text, delimiter)


def _decoded(path: Path) -> str:
    raw = path.read_bytes()
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif b"\x00" in raw[:200] and raw[1:2] == b"\x00":
        encodings = ["utf-16-le"]
    else:
        encodings = ["utf-8-sig", "cp1252", "latin-1"]
    for encoding in encodings:
        try:
            return raw.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise StudyError(f"{path.name} is not text in any usual encoding.", "Save it as UTF-8 CSV.")


def _looks_binary(text: str) -> bool:
    sample = text[:_SAMPLE]
    control = sum(sample.count(chr(code)) for code in (*range(9), *range(14, 27), *range(28, 32)))
    return sample.startswith(("%PDF", "PK\x03\x04")) or control > max(2, len(sample) // 100)


def find_delimiter(sample: str) -> str:
    """Find the delimiter that cuts most lines of a sample into the same number of cells.

    Examples
    --------
    >>> find_delimiter('a;b;c\\n1,5;2;3\\n')
    ';'
    """
    lines = sample.splitlines()[:60]

    def evenness(delimiter: str) -> tuple[int, int]:
        try:
            widths = [len(row) for row in csv.reader(lines, delimiter=delimiter) if row]
        except csv.Error:
            return 0, 0
        common = max(set(widths), key=lambda width: (widths.count(width), width), default=1)
        return (widths.count(common) if common > 1 else 0), common

    return max(_DELIMITERS, key=evenness)


def _read_even(file: str, text: str, delimiter: str) -> Grid | None:
    """Read a text whose rows are all of one width; None if they are not."""
    first = next(csv.reader(io.StringIO(text[:_SAMPLE]), delimiter=delimiter), [])
    names = [str(place) for place in range(len(first))]
    if not names or "\r" in text.replace("\r\n", ""):
        return None
    cell = pa.dictionary(pa.int32(), pa.string())
    try:
        table = arrow_csv.read_csv(
            pa.BufferReader(text.encode()),
            read_options=arrow_csv.ReadOptions(column_names=names, block_size=8 << 20),
            parse_options=arrow_csv.ParseOptions(
                delimiter=delimiter, ignore_empty_lines=False, newlines_in_values='"' in text
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(names, cell), strings_can_be_null=False
            ),
        )
    except pa.ArrowInvalid:
        return None
    columns = [
        Cells.of_arrow(column.chunk(0))
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
