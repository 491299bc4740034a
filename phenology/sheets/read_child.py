"""Read one workbook and answer in Arrow on standard output: one stream a tab.

Run as ``python -m phenology.sheets.read_child FILE``. Exit code 2 with one line on standard
error says what is wrong with the file.
"""

import datetime as dt
import sys
from array import array
from itertools import accumulate
from pathlib import Path

import pyarrow as pa
from python_calamine import CalamineError, CalamineSheet, CalamineWorkbook, PasswordError

MEMORY_LIMIT = 6 * 2**30


def cell_text(value: object) -> str:
    """Write a typed cell as its text: dates in ISO form, numbers in their shortest form.

    Examples
    --------
    >>> cell_text(615.0), cell_text(3.4000000000000004), cell_text(dt.time(6, 15))
    ('615', '3.4', '06:15')
    """
    text = "" if value is None else str(value)
    if isinstance(value, bool):
        text = "yes" if value else "no"
    elif isinstance(value, float):
        text = f"{value:.15g}"
    elif isinstance(value, dt.datetime):
        midnight = value.time() == dt.time(0)
        text = value.date().isoformat() if midnight else value.isoformat(" ", "seconds")
    elif isinstance(value, dt.time):
        text = value.isoformat(timespec="auto" if value.second else "minutes")
    elif isinstance(value, dt.timedelta):
        minutes, seconds = divmod(round(value.total_seconds()), 60)
        text = f"{minutes // 60:02d}:{minutes % 60:02d}" + (f":{seconds:02d}" if seconds else "")
    return text


def tab_table(tab: str, sheet: CalamineSheet) -> pa.Table:
    """Put the cells of a tab into a table; a merged range repeats its first cell."""
    rows = sheet.to_python(skip_empty_area=False)
    for (top, left), (bottom, right) in sheet.merged_cell_ranges or []:
        for row in range(top, min(bottom, len(rows) - 1) + 1):
            for column in range(left, min(right, len(rows[row]) - 1) + 1):
                rows[row][column] = rows[top][left]
    width = max((len(row) for row in rows), default=0)
    columns = [_column([row[place] for row in rows]) for place in range(width)]
    schema = pa.schema(
        [pa.field(str(place), column.type) for place, column in enumerate(columns)],
        metadata={"tab": tab},
    )
    return pa.table(columns, schema=schema)


def _column(values: list[object]) -> pa.DictionaryArray:
    """Texts of a column, each distinct value written once."""
    kinds = set(map(type, values))
    # True equals 1 and would share its text.
    keys = list(zip(map(type, values), values, strict=True)) if bool in kinds else values
    numbers: dict[str, int] = {}
    of_key = {
        key: numbers.setdefault(cell_text(value), len(numbers))
        for key, value in dict(zip(keys, values, strict=True)).items()
    }
    codes = array("i", [of_key[key] for key in keys])
    texts = [text.encode("utf-8", "replace") for text in numbers]
    offsets = array("i", accumulate(map(len, texts), initial=0))
    # From buffers: Arrow would import pandas, a second's work, to look at a list.
    dictionary = pa.Array.from_buffers(
        pa.string(), len(texts), [None, pa.py_buffer(offsets), pa.py_buffer(b"".join(texts))]
    )
    indices = pa.Array.from_buffers(pa.int32(), len(codes), [None, pa.py_buffer(codes)])
    return pa.DictionaryArray.from_arrays(indices, dictionary)


def main(path: Path) -> int:
    """Answer with every tab of the workbook."""
    _limit_memory()
    try:
        workbook = CalamineWorkbook.from_path(path)
        tables = [tab_table(tab, workbook.get_sheet_by_name(tab)) for tab in workbook.sheet_names]
    except PasswordError:
        sys.stderr.write(f"{path.name} is locked by a password. Save it without one.\n")
        return 2
    except (CalamineError, OSError, ValueError) as error:
        sys.stderr.write(
            f"{path.name} is no readable workbook, whatever its name says ({error}). "
            "Save it anew as .xlsx or as CSV.\n"
        )
        return 2
    for table in tables:
        with pa.ipc.new_stream(sys.stdout.buffer, table.schema) as stream:
            stream.write_table(table)
    return 0


def _limit_memory() -> None:
    try:
        import resource  # absent on Windows
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT, MEMORY_LIMIT))


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
