"""CSV text that is safe to open in a spreadsheet."""

import csv
import io
import re
from pathlib import Path
from typing import TextIO

import pandas as pd

# A spreadsheet evaluates a cell that begins with one of these (OWASP, "CSV Injection").
_EVALUATED = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_DASHES = re.compile(r"[-\u2010-\u2015\u2212]+")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_ROWS_AT_ONCE = 100_000


def inert_cell(text: str) -> str:
    """Return a cell's text, with an apostrophe before what a spreadsheet would evaluate.

    A number or a run of dashes is left alone; control characters become a replacement sign.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> inert_cell("=1+2"), inert_cell("-3.5"), inert_cell("-"), inert_cell("@here")
    ("'=1+2", '-3.5', '-', "'@here")
    """
    text = _CONTROL.sub("\ufffd", text)
    bare = text.lstrip(" ")
    if not bare.startswith(_EVALUATED):
        return text
    if _NUMBER.fullmatch(bare.strip()) or _DASHES.fullmatch(bare.strip()):
        return text
    return "'" + text


def exact_cell(text: str) -> str:
    """Return the text that `inert_cell` made safe with an apostrophe; any other text as it is.

    Examples
    --------
    >>> exact_cell("'=1+2"), exact_cell("'tis"), exact_cell("-3.5")
    ('=1+2', "'tis", '-3.5')
    """
    return text[1:] if text.startswith("'") and inert_cell(text[1:]) == text else text


def csv_text(table: pd.DataFrame) -> str:
    r"""Write a table as CSV text in which no cell is one that a spreadsheet evaluates.

    Parameters
    ----------
    table : pandas.DataFrame
        Its index is not written. Dates without a time of day are written as days; floats by
        their shortest exact form; truth values as yes and no.

    Returns
    -------
    str
        Lines end in a single line feed.

    Examples
    --------
    >>> csv_text(pd.DataFrame({"a": [1.5, None], "b": ["=x", "-"]}))
    "a,b\n1.5,'=x\n,-\n"
    """
    out = io.StringIO()
    _write(table, out)
    return out.getvalue()


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write the text of `csv_text` to a file, in pieces: that of a large table is larger still."""
    with path.open("w", encoding="utf-8", newline="") as out:
        _write(table, out)


def _write(table: pd.DataFrame, out: TextIO) -> None:
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([inert_cell(str(name)) for name in table.columns])
    columns = [table.iloc[:, place] for place in range(table.shape[1])]
    date_formats = [_date_format(column) for column in columns]
    for first in range(0, len(table), _ROWS_AT_ONCE):
        texts = [
            _column_text(column.iloc[first : first + _ROWS_AT_ONCE], date_format)
            for column, date_format in zip(columns, date_formats, strict=True)
        ]
        writer.writerows(zip(*texts, strict=True))


def _date_format(column: pd.Series) -> str:
    """How the column's dates are written; nothing where it holds others than dates."""
    if not pd.api.types.is_datetime64_any_dtype(column.dtype):
        return ""
    days = bool((column.dropna() == column.dropna().dt.normalize()).all())
    return "%Y-%m-%d" if days else "%Y-%m-%dT%H:%M:%S"


def _column_text(column: pd.Series, date_format: str) -> list[str]:
    if pd.api.types.is_bool_dtype(column.dtype):
        texts = ["yes" if value is True or value == 1 else "no" for value in column.fillna(False)]
    elif date_format:
        texts = column.dt.strftime(date_format).tolist()
    elif pd.api.types.is_numeric_dtype(column.dtype):
        texts = [str(value) for value in column.tolist()]
    else:
        inert: dict[object, str] = {}
        for value in column.dropna().unique():
            inert[value] = inert_cell(str(value))
        return [inert.get(value, "") for value in column.astype(object)]
    if not column.isna().any():
        return texts
    return ["" if gone else text for text, gone in zip(texts, column.isna(), strict=True)]
