"""Slips of the pen that explain an implausible measurement, and the value each would restore."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from phenology.sheets.clock import Unreadable
from phenology.sheets.measured import Measured
from phenology.sheets.numerals import UNIT_FACTORS, parse_number

# How readily each slip is believed before its fit is seen, as a logarithm.
READINESS = {
    "decimal_shifted": 0.0,
    "columns_swapped": 0.0,
    "digits_swapped": -0.7,
    "wrong_unit": -1.0,
}
LESS_READILY = 3.0  # where the form of the number speaks against a slip
GOOD_FIT = 2.8  # spreads from the expectation within which an explanation fits
MUCH_BETTER = 1.2  # difference in log plausibility to the next best


_WORDS = {
    "decimal_shifted": "the decimal point seems to be shifted",
    "digits_swapped": "two digits seem to be swapped",
    "wrong_unit": "it seems to be written in another unit",
    "columns_swapped": "it seems to be swapped with {other}",
}


@dataclass(frozen=True)
class Slip:
    """One explanation of a value: the slip, the value meant, and how plausible that is."""

    kind: str
    value: str
    plausibility: float
    other: str = ""

    @property
    def words(self) -> str:
        """The explanation in words."""
        return _WORDS[self.kind].format(other=self.other)


def explain(measured: Measured, place: int, column: int, written: str) -> Slip | None:
    """Find the one slip that explains a value much better than any other.

    Parameters
    ----------
    measured : Measured
    place, column : int
        Capture and measurement.
    written : str
        The cell as written.

    Returns
    -------
    Slip or None
        None if no slip fits, or two fit about as well.
    """
    try:
        value = parse_number(written, measured.units[column])
    except Unreadable:
        return None
    scores = measured.scores[place].copy()
    scores[column] = np.nan
    expected, spread = measured.expectation.of_one(place, scores, column)

    def misfit(candidate: float) -> float:
        return (measured.score_of(place, column, candidate) - expected) / spread

    found: dict[str, Slip] = {}
    for kind, text in _candidates(written, value, measured.units[column]):
        away = misfit(float(text))
        if abs(away) < GOOD_FIT:
            readiness = _readiness(kind, written.strip(), text, measured.decimals[column])
            slip = Slip(kind, f"{float(text):.6g}", readiness - away**2 / 2)
            if slip.value not in found or found[slip.value].plausibility < slip.plausibility:
                found[slip.value] = slip
    for slip in _swaps(measured, place, column, value):
        found[f"{slip.value} {slip.other}"] = slip
    ranked = sorted(found.values(), key=lambda slip: -slip.plausibility)
    if not ranked:
        return None
    if len(ranked) > 1 and ranked[0].plausibility - ranked[1].plausibility < MUCH_BETTER:
        return None
    return ranked[0]


def _candidates(written: str, value: float, unit: str) -> Iterable[tuple[str, str]]:
    for factor in (10.0, 0.1, 100.0, 0.01, 1000.0, 0.001):
        yield "decimal_shifted", f"{value * factor:.6g}"
    texts = {f"{value:.6g}", written.strip()}
    for text in sorted(texts):
        if re.fullmatch(r"\d+(\.\d+)?", text):
            for candidate in swapped_digits(text):
                yield "digits_swapped", candidate
    for (other, own), factor in UNIT_FACTORS.items():
        if own == unit and other in ("in", "oz"):
            yield "wrong_unit", f"{value * factor:.3g}"
            yield "wrong_unit", f"{value / factor:.3g}"


def _readiness(kind: str, written: str, meant: str, usual_decimals: int) -> float:
    """How readily a slip is believed, given the form of the number written and of the one meant."""
    decimals = len(meant.partition(".")[2].rstrip("0"))
    against = kind == "digits_swapped" and (
        decimals > usual_decimals or written.startswith(("0.", "."))
    )
    against |= kind == "decimal_shifted" and re.match(r"0\d", written) is not None
    return READINESS[kind] - (LESS_READILY if against else 0.0)


def swapped_digits(text: str) -> list[str]:
    """List the numbers made by swapping two neighbouring digits.

    Examples
    --------
    >>> swapped_digits("45.2")
    ['54.2', '42.5']
    """
    places = [place for place, sign in enumerate(text) if sign.isdigit()]
    swapped = []
    for first, second in pairwise(places):
        signs = list(text)
        signs[first], signs[second] = signs[second], signs[first]
        candidate = "".join(signs)
        if candidate != text and not re.match(r"0\d", candidate):
            swapped.append(candidate)
    return swapped


def _swaps(measured: Measured, place: int, column: int, value: float) -> Iterable[Slip]:
    """Explanations by which this value and another of the bird's have changed places."""
    for other in range(len(measured.names)):
        theirs = measured.value(place, other)
        if other == column or not np.isfinite(theirs) or theirs == value:
            continue
        scores = measured.scores[place].copy()
        scores[[column, other]] = np.nan
        ours = measured.score_of(place, column, float(theirs))
        expected, spread = measured.expectation.of_one(place, scores, column)
        here = (ours - expected) / spread
        expected, spread = measured.expectation.of_one(place, scores, other)
        there = (measured.score_of(place, other, value) - expected) / spread
        before = measured.scores[place, other]
        if max(abs(here), abs(there)) < GOOD_FIT and abs(there) < abs(before):
            gain = (before**2 - there**2) / 2
            plausibility = READINESS["columns_swapped"] - here**2 / 2 + min(gain, 8.0)
            yield Slip("columns_swapped", f"{theirs:.6g}", plausibility, measured.names[other])
