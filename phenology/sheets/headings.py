"""Finding the heading row of a sheet and the column that each heading means."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

from phenology.sheets.codes import bare
from phenology.sheets.contract import Column
from phenology.sheets.numerals import unit_factor

SEARCHED_ROWS = 40
FEWEST_HEADINGS = 2

_UNIT = re.compile(r"(.*?)\s*[(\[,]\s*([^()\[\],]{1,20}?)\s*[)\]]?\s*")


@dataclass(frozen=True)
class Heading:
    """A column of the sheet that has been understood: where it is and in which unit."""

    column: Column
    place: int
    text: str
    factor: float = 1.0


@dataclass(frozen=True)
class HeadingRow:
    """The heading row of a sheet."""

    position: int
    headings: dict[str, Heading]
    unmapped: dict[str, str]
    doubled: tuple[str, ...]


def find_heading_row(
    head: Sequence[Sequence[str]],
    columns: Mapping[str, Column],
    own: Mapping[str, str],
) -> HeadingRow | None:
    """Find the row of a sheet that names the most columns.

    Parameters
    ----------
    head : sequence of rows of texts
        First rows of the sheet.
    columns : mapping of Column
        The contract's columns, by canonical name.
    own : mapping
        The study's own headings, by canonical name.

    Returns
    -------
    HeadingRow or None
        None if no row names two columns.
    """
    spellings = _spellings(columns, own)
    best: HeadingRow | None = None
    for position, texts in enumerate(head[:SEARCHED_ROWS]):
        row = _understand(position, texts, columns, spellings)
        if best is None or len(row.headings) > len(best.headings):
            best = row
    if best is None or len(best.headings) < min(FEWEST_HEADINGS, len(columns)):
        return None
    free = {text: name for text, name in spellings.items() if name not in best.headings}
    near = {text: get_close_matches(_plain(text), free, n=1, cutoff=0.8) for text in best.unmapped}
    return replace(
        best, unmapped={text: free[found[0]] if found else "" for text, found in near.items()}
    )


def _spellings(columns: Mapping[str, Column], own: Mapping[str, str]) -> dict[str, str]:
    """Every accepted heading, in the form in which headings are compared."""
    spellings: dict[str, str] = {}
    for name, column in columns.items():
        for heading in column.headings:
            spellings.setdefault(_plain(heading), name)
    for name in columns:
        spellings[_plain(name)] = name
    for name, heading in own.items():
        spellings = {text: of for text, of in spellings.items() if of != name or text == name}
        spellings[_plain(heading)] = name
    return spellings


def _plain(heading: str) -> str:
    return bare(heading.replace("_", " ").replace("-", " ")).rstrip(":*# ")


def _understand(
    position: int,
    texts: Sequence[str],
    columns: Mapping[str, Column],
    spellings: Mapping[str, str],
) -> HeadingRow:
    headings: dict[str, Heading] = {}
    unmapped: dict[str, str] = {}
    doubled = []
    for place, text in enumerate(texts):
        found = _match(text, columns, spellings)
        if found is None:
            if text.strip():
                unmapped[text] = ""
        elif found[0] in headings:
            doubled.append(text)
        else:
            name, factor = found
            headings[name] = Heading(columns[name], place, text, factor)
    return HeadingRow(position, headings, unmapped, tuple(doubled))


def _match(
    text: str, columns: Mapping[str, Column], spellings: Mapping[str, str]
) -> tuple[str, float] | None:
    plain = _plain(text)
    if plain in spellings:
        return spellings[plain], 1.0
    parts = _UNIT.fullmatch(text.strip())
    if parts is None:
        return None
    stem, written_unit = _plain(parts[1]), parts[2]
    for candidate in (stem, _plain(f"{stem} {written_unit}")):
        name = spellings.get(candidate, "")
        if not name:
            continue
        unit = columns[name].unit
        if not unit:
            return name, 1.0
        factor = unit_factor(written_unit, unit)
        if factor is not None:
            return name, factor
    return None
