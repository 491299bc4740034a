"""Doubts about measurements, with the slip named where one explains the value."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from phenology.sheets.blocks import Block, find_repeated_rows, find_shifted_blocks
from phenology.sheets.doubt import Doubt, Sheets
from phenology.sheets.measured import Measured, beyond_usual, odd_beside_others
from phenology.sheets.read import SheetRead
from phenology.sheets.slips import Slip, explain

# Beyond these factors of the class's median no living, flying bird of the class lies: the
# heaviest birds weigh up to 2.75 times their lean mass (Hedenström & Alerstam 1992, J. Exp.
# Biol. 164:19); lengths of one species, sex and age differ by far less.
MASS_FACTORS = (0.35, 3.5)
LENGTH_FACTORS = (0.5, 2.0)
BIRDS_FOR_IMPOSSIBLE = 20

BESIDE_SHARE = 1 / 10000  # false alarms beside the other measurements: two looks at one cell
_NINES = re.compile(r"9{1,5}|9{1,3}[.,]9{1,2}")


def find_implausible(
    sheets: Sheets, measured: Measured, beside_share: float = BESIDE_SHARE
) -> Iterable[Doubt]:
    """Find measurements that are implausible for species, age and sex or beside the others."""
    read = sheets.reads["captures"]
    parts = read.origin[:, 0]
    beyond = beyond_usual(measured)
    odd = odd_beside_others(measured, beyond, beside_share)
    doubtful = beyond | odd
    blocks = find_shifted_blocks(measured, doubtful, parts)
    for block in blocks:
        yield _block_doubt(sheets, measured, block)
    repeated = set(find_repeated_rows(measured, doubtful, parts))
    for place in sorted(repeated):
        message = "these measurements are those of the row above"
        yield Doubt("captures", place, "", "row_repeated", "doubtful", message)
    words = _BirdWords(sheets, measured)
    cells = [(int(place), int(column)) for place, column in np.argwhere(doubtful)]
    swapped = explain_unreadable(sheets, measured)
    told = {*cells, *swapped}
    for place, column in [*cells, *sorted(set(swapped).difference(cells))]:
        slip = swapped.get((place, column)) or explain(
            measured, place, column, read.written(place, measured.names[column])
        )
        by_itself = bool(beyond[place, column])
        doubt = _doubt(sheets, measured, place, column, slip, words, by_itself=by_itself)
        shifted = next((block for block in blocks if _covers(block, place, column)), None)
        yield doubt if shifted is None else _explained_by(doubt, measured, shifted)
        if slip is not None and slip.other and shifted is None:
            partner = (place, measured.names.index(slip.other))
            if partner not in told:
                told.add(partner)
                yield _partner(doubt, measured, partner[1])


def _doubt(
    sheets: Sheets,
    measured: Measured,
    place: int,
    column: int,
    slip: Slip | None,
    words: _BirdWords,
    *,
    by_itself: bool,
) -> Doubt:
    name, value = measured.names[column], measured.value(place, column)
    written = sheets.reads["captures"].written(place, name).strip()
    usual = f"{measured.usual(place, column)} is usual for {words.of(place)}"
    if by_itself and _NINES.fullmatch(written):
        message = f"a filler where a value is expected: {usual}"
        return Doubt("captures", place, name, "filler", "impossible", message, "", "blanked")
    message = (
        f"{value:g} is implausible: {usual}"
        if by_itself
        else f"{value:g} does not fit the bird's other measurements ({usual})"
    )
    sure = by_itself and _is_impossible(measured, place, column)
    return Doubt(
        sheet="captures",
        place=place,
        column=name,
        kind="implausible" if slip is None else slip.kind,
        severity="impossible" if sure else "doubtful",
        message=message if slip is None else f"{message}; {slip.words}",
        suggestion="" if slip is None else slip.value,
        action="blanked" if sure else "kept",
    )


def _partner(doubt: Doubt, measured: Measured, column: int) -> Doubt:
    """Doubt about the other of two values that have changed places."""
    swapped_with = measured.value(doubt.place, measured.names.index(doubt.column))
    return doubt._replace(
        column=measured.names[column],
        severity="doubtful",
        message=f"it seems to be swapped with {doubt.column}",
        suggestion=f"{swapped_with:g}",
        action="kept",
    )


def _explained_by(doubt: Doubt, measured: Measured, block: Block) -> Doubt:
    meant = measured.value(doubt.place + block.shift, measured.names.index(doubt.column))
    return doubt._replace(
        kind="block_shifted",
        message=f"{doubt.message.partition(';')[0]}; {_block_words(block)}",
        suggestion=f"{meant:g}" if np.isfinite(meant) else "",
    )


def _is_impossible(measured: Measured, place: int, column: int) -> bool:
    least, most = MASS_FACTORS if measured.units[column] in ("g", "mg") else LENGTH_FACTORS
    birds = measured.ranges[column].birds[measured.classes.finest[place]]
    return bool(birds >= BIRDS_FOR_IMPOSSIBLE and not least < measured.factor(place, column) < most)


def _covers(block: Block, place: int, column: int) -> bool:
    return block.first <= place <= block.last and column in block.columns


def _block_words(block: Block) -> str:
    return "values here seem to stand a row too " + ("low" if block.shift > 0 else "high")


def _block_doubt(sheets: Sheets, measured: Measured, block: Block) -> Doubt:
    read = sheets.reads["captures"]
    names = ", ".join(measured.names[column] for column in block.columns)
    first, last = (read.where(place)[2] for place in (block.first, block.last))
    message = f"rows {first} to {last}: {names} seem to stand a row too " + (
        "low against the rest" if block.shift > 0 else "high against the rest"
    )
    advice = f"move them {'up' if block.shift > 0 else 'down'} by a row, from the card"
    return Doubt("captures", block.first, "", "block_shifted", "doubtful", message, advice)


class _BirdWords:
    """Words for the class of a captured bird, put together once a class."""

    def __init__(self, sheets: Sheets, measured: Measured) -> None:
        self._captures = sheets.captures
        self._finest = measured.classes.finest
        self._known: dict[int, str] = {}

    def of(self, place: int) -> str:
        group = int(self._finest[place])
        if group not in self._known:
            words = [self._captures[name].iat[place] for name in ("species", "age", "sex")]
            self._known[group] = " ".join(word for word in words if isinstance(word, str))
        return self._known[group]


def explain_unreadable(sheets: Sheets, measured: Measured) -> dict[tuple[int, int], Slip]:
    """Name the slip behind measurements that were blanked when read, where one explains them.

    Returns
    -------
    dict
        Cells that have changed places with a blanked one: (capture, measurement) to the slip.
    """
    read = sheets.reads["captures"]
    swapped: dict[tuple[int, int], Slip] = {}
    wanted = [
        number
        for number, finding in enumerate(read.findings)
        if finding.kind == "outside_range" and finding.column in measured.names
    ]
    places = _places_of(read) if wanted else {}
    for number in wanted:
        finding = read.findings[number]
        place = places.get((finding.file, finding.tab, finding.row or 0))
        if place is None:
            continue
        if _NINES.fullmatch(finding.value.strip()):
            message = f"a filler where a value is expected: {finding.message}"
            read.findings[number] = finding._replace(kind="filler", message=message)
            continue
        slip = explain(measured, place, measured.names.index(finding.column), finding.value)
        if slip is None:
            continue
        read.findings[number] = finding._replace(
            kind=slip.kind, message=f"{finding.message}; {slip.words}", suggestion=slip.value
        )
        if slip.other:
            meant = Slip(slip.kind, finding.value.strip(), slip.plausibility, finding.column)
            swapped[place, measured.names.index(slip.other)] = meant
    return swapped


def _places_of(read: SheetRead) -> dict[tuple[str, str, int], int]:
    """Used rows by file, tab and row number."""
    return {read.where(place): place for place in range(len(read.used))}
