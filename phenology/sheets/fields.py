"""One parser a field: the text of a cell to its value, or what is wrong with it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from phenology.sheets.clock import Ambiguous, Unreadable, parse_date, parse_time
from phenology.sheets.codes import OPEN_LABELS, Codebook, bare, column_codebook
from phenology.sheets.contract import Column
from phenology.sheets.grid import Cells
from phenology.sheets.numerals import parse_number
from phenology.study.options import StudyOptions


@dataclass(frozen=True)
class Problem:
    """What is wrong with a text, wherever in its column it stands."""

    kind: str
    severity: str
    message: str
    suggestion: str = ""
    action: str = "blanked"
    once: bool = False


Parser = Callable[[str], tuple[Any, Problem | None]]


@dataclass(frozen=True)
class ParsedColumn:
    """Values of a column, and the problems of its distinct texts by code."""

    values: Any
    problems: dict[int, Problem]
    labels: list[Any] | None = None  # value of each distinct text; None for plain text


def parse_column(
    cells: Cells, column: Column, parse: Parser | None, missing: Codebook
) -> ParsedColumn:
    """Parse a column, each distinct text once.

    Parameters
    ----------
    cells : Cells
    column : Column
    parse : callable or None
        Parser of the field; None for plain text.
    missing : Codebook
        Codes that say there is no value.

    Returns
    -------
    ParsedColumn
        Values of the column's dtype, one a row.
    """
    trimmed = pc.utf8_trim_whitespace(cells.texts)
    if parse is None:
        return ParsedColumn(_plain_text(cells, trimmed, missing), {})
    values: list[Any] = []
    problems: dict[int, Problem] = {}
    for code, text in enumerate(trimmed.to_pylist()):
        meaning = missing.meaning(text) if text else None
        if not text or (meaning is not None and meaning.value is None):
            values.append(None)
            continue
        if meaning is not None and column.kind == "number":
            value, problem = parse(meaning.value or "")
        else:
            value, problem = parse(text)
        values.append(value)
        if problem is not None:
            problems[code] = problem
    return ParsedColumn(spread(values, cells.codes, column), problems, values)


def _plain_text(cells: Cells, trimmed: pa.Array, missing: Codebook) -> Any:
    """Text as written; distinct texts are compared in Arrow, for there may be a million."""
    short = pc.less_equal(pc.utf8_length(trimmed), 40)
    lowered = pc.utf8_lower(trimmed)
    gone = pa.array(
        [code for code, meaning in missing.codes.items() if meaning.value is None] + [""]
    )
    blank = pc.and_(short, pc.is_in(lowered, value_set=gone))
    renamed = {code: meaning.value for code, meaning in missing.codes.items() if meaning.value}
    if renamed:
        trimmed = pa.array([renamed.get(bare(text), text) for text in trimmed.to_pylist()])
    texts = text_array(pc.if_else(blank, pa.scalar(None, pa.string()), trimmed))
    one_each = len(texts) == len(cells.codes) and (cells.codes == np.arange(len(texts))).all()
    return texts if one_each else texts.take(cells.codes)


def text_array(texts: pa.Array) -> Any:
    """Wrap Arrow text in pandas' `str` dtype."""
    return pd.array(texts.cast(pa.large_string()), dtype="str")


def spread(values: list[Any], codes: Any, column: Column) -> Any:
    """Build the column's values from those of its distinct texts."""
    kind = column.kind
    gone = np.array([value is None for value in values], dtype=bool)
    if kind in ("number", "time"):
        distinct = np.array([np.nan if value is None else value for value in values], dtype=float)
        return distinct[codes]
    if kind == "date":
        days = np.array(
            [np.datetime64(value or "NaT", "D") for value in values], dtype="datetime64[D]"
        )
        return days.astype("datetime64[s]")[codes]
    if kind == "integer":
        whole = np.array([value or 0 for value in values], dtype=np.int64)
        return pd.arrays.IntegerArray(whole[codes], gone[codes])
    if kind == "yes_no":
        truth = np.array([bool(value) for value in values], dtype=bool)
        return pd.arrays.BooleanArray(truth[codes], gone[codes])
    return text_array(pa.array(values, type=pa.string())).take(codes)


def empty_column(column: Column, rows: int) -> Any:
    """Build a column without a single value."""
    kind = column.kind
    if kind in ("number", "time"):
        return np.full(rows, np.nan)
    if kind == "date":
        return np.full(rows, np.datetime64("NaT", "s"))
    if kind == "integer":
        return pd.arrays.IntegerArray(np.zeros(rows, np.int64), np.ones(rows, dtype=bool))
    if kind == "yes_no":
        return pd.arrays.BooleanArray(np.zeros(rows, dtype=bool), np.ones(rows, dtype=bool))
    return pd.array(_no_text(rows), dtype="str")


@lru_cache(maxsize=2)
def _no_text(rows: int) -> pa.Array:
    """Missing text; Arrow's arrays cannot be changed, so that columns may share one."""
    return pa.nulls(rows, pa.large_string())


def field_parser(
    sheet: str,
    column: Column,
    options: StudyOptions,
    *,
    factor: float = 1.0,
    sites: Mapping[str, str] | None = None,
) -> tuple[Parser | None, Codebook]:
    """Choose the parser of a field.

    Parameters
    ----------
    sheet : str
    column : Column
    options : StudyOptions
    factor : float, optional
        Turns the unit of the heading into the column's.
    sites : mapping, optional
        Known stations: bare spelling to name.

    Returns
    -------
    parser, codebook
        The parser is None where a column holds plain text.
    """
    book = column_codebook(sheet, column, options)
    parsers: dict[str, Callable[[], Parser | None]] = {
        "text": lambda: None,
        "date": lambda: _date_parser(options.date_order),
        "time": lambda: _time,
        "number": lambda: _number_parser(column, factor),
        "integer": lambda: _number_parser(column, factor),
        "species": lambda: _species_parser(book, options),
        "site": lambda: _site_parser(dict(sites or {})),
        "yes_no": lambda: _yes_no_parser(book),
        "choice": lambda: _label_parser(column, book),
        "fat": lambda: _label_parser(column, book),
    }
    return parsers[column.kind](), book


def _unreadable(column_says: str, error: Unreadable, suggestion: str = "") -> Problem:
    kind = "ambiguous" if isinstance(error, Ambiguous) else "unreadable"
    return Problem(kind, "impossible", f"{column_says} {error}", suggestion)


def _date_parser(order: str | None) -> Parser:
    def parse(text: str) -> tuple[dt.date | None, Problem | None]:
        try:
            return parse_date(text, order), None
        except Ambiguous as error:
            problem = _unreadable("this date", error)
            advice = 'say [dates] order = "month-first" or "day-first" in study.toml'
            return None, Problem("ambiguous_date", problem.severity, problem.message, advice)
        except Unreadable as error:
            return None, Problem("unreadable_date", "impossible", f"this date {error}")

    return parse


def _time(text: str) -> tuple[float | None, Problem | None]:
    try:
        return parse_time(text), None
    except Unreadable as error:
        return None, Problem("unreadable_time", "impossible", f"this time {error}")


def _number_parser(column: Column, factor: float) -> Parser:
    def parse(text: str) -> tuple[float | int | None, Problem | None]:
        try:
            value = parse_number(text, column.unit, column.range)
        except Unreadable as error:
            return None, _unreadable("this number", error)
        value = value if factor == 1.0 else round(value * factor, 3)
        if column.kind == "integer" and value != round(value):
            return None, Problem("unreadable", "impossible", "this is no whole number")
        low, high = column.range or (float("-inf"), float("inf"))
        if not low <= value <= high:
            unit = f" {column.unit}" if column.unit else ""
            return None, Problem(
                "outside_range", "impossible", f"{value:g} lies outside {low:g} to {high:g}{unit}"
            )
        return (int(value) if column.kind == "integer" else value), None

    return parse


def _yes_no_parser(book: Codebook) -> Parser:
    def parse(text: str) -> tuple[bool | None, Problem | None]:
        meaning = book.meaning(text)
        if meaning is not None and meaning.value in ("yes", "no"):
            return meaning.value == "yes", None
        return None, Problem("unknown_code", "doubtful", "this is neither yes nor no")

    return parse


def _label_parser(column: Column, book: Codebook) -> Parser:
    values = {bare(code): meaning.value for code, meaning in book.codes.items() if meaning.value}
    allowed = sorted(set(values.values()), key=str)

    def parse(text: str) -> tuple[str | None, Problem | None]:
        meaning = book.meaning(text)
        if meaning is None and column.kind == "fat" and bare(text) not in values:
            meaning = book.meaning(_plain_level(text))
        if meaning is not None:
            return meaning.value, None
        near = get_close_matches(bare(text), values, n=1, cutoff=0.75)
        suggestion = str(values[near[0]]) if near else ""
        if column.name in OPEN_LABELS:
            message = f"this {column.name} is not in the codebook and stays a group as written"
            return text, Problem(
                "unknown_label", "doubtful", message, suggestion, "kept", once=True
            )
        if column.kind == "fat":
            message = f"this is no level of the fat scale: {', '.join(map(str, allowed))}"
            return None, Problem("outside_scale", "impossible", message, suggestion)
        message = f"this code is not known; known are {', '.join(map(str, allowed))}"
        return None, Problem("unknown_code", "doubtful", message, suggestion)

    return parse


def _plain_level(text: str) -> str:
    """Write 2.0 or 2,5 as a level is written."""
    try:
        return f"{float(text.replace(',', '.')):g}"
    except ValueError:
        return text


def _species_parser(book: Codebook, options: StudyOptions) -> Parser:
    values = {code: str(meaning.value) for code, meaning in book.codes.items() if meaning.value}
    genera = {name.split()[0].casefold(): name.split()[0] for name in values.values()}

    def known(text: str) -> str | None:
        plain = bare(text)
        if plain in values:
            return values[plain]
        words = plain.split()
        if len(words) == 2 and words[0] in genera and words[1].rstrip(".") in ("sp", "spp"):
            return f"{genera[words[0]]} sp."
        return _hybrid(plain.replace("\u00d7", " x ").split(" x "), values)

    def parse(text: str) -> tuple[str | None, Problem | None]:
        species = known(text)
        if species is None:
            near = get_close_matches(bare(text), values, n=1, cutoff=0.7)
            suggestion = values[near[0]] if near else "add it to [species] in study.toml"
            return None, Problem(
                "unknown_species", "impossible", "this species is not known", suggestion
            )
        if (
            species not in options.species
            and not species.endswith(" sp.")
            and "\u00d7" not in species
        ):
            message = f"{species} has no role in study.toml"
            advice = f'add "{species}" = "local", "passage" or "mixed" to [species]'
            return species, Problem("species_without_role", "note", message, advice, "kept", True)
        return species, None

    return parse


def _hybrid(parents: list[str], values: Mapping[str, str]) -> str | None:
    if len(parents) != 2:
        return None
    first = values.get(bare(parents[0]))
    second = values.get(bare(parents[1]))
    if first and second is None:
        second = values.get(bare(f"{first.split()[0]} {parents[1]}"))
    return f"{first} \u00d7 {second}" if first and second else None


def _site_parser(sites: Mapping[str, str]) -> Parser:
    def parse(text: str) -> tuple[str | None, Problem | None]:
        site = sites.get(bare(text))
        if site is not None:
            return site, None
        near = get_close_matches(bare(text), sites, n=1, cutoff=0.6)
        suggestion = sites[near[0]] if near else "add it to the sites"
        message = "this site does not stand in the sites"
        return None, Problem("unknown_site", "impossible", message, suggestion)

    return parse
