"""Numbers of bands: which stand twice, which lie out of their string, which are of odd size."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from phenology.sheets.doubt import Doubt, Sheets

STRING_LENGTH = 100  # bands come in strings of consecutive numbers (common practice)
FEWEST_OF_STRING = 20
ALONE_SHARE = 0.05  # of a prefix's bands; where more stand alone, bands come in no strings
DOMINANT_SHARE = 0.95
FEWEST_FOR_SIZE = 20
_DIGITS = 15  # that a whole number holds exactly, whatever it is held in

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Banded:
    """Bands of the captures, parted into a prefix and the digits at their end."""

    prefix: Ints  # number of each capture's prefix; -1 without a band
    number: npt.NDArray[np.float64]  # missing where a band does not end in a digit
    band: Ints  # equal for equal bands alone; -1 without a band
    again: Ints  # captures of bands that stand twice or oftener


def banded(sheets: Sheets) -> Banded:
    """Bands of the used captures, parted once."""
    read = sheets.reads["captures"]
    if "banded" not in read.worked_out:
        read.worked_out["banded"] = part_bands(pa.array(read.used["band"].array))
        pa.default_memory_pool().release_unused()
    found: Banded = read.worked_out["banded"]
    return found


def part_bands(bands: pa.Array | pa.ChunkedArray) -> Banded:
    """Part bands into the number of their prefix and the digits at their end.

    Examples
    --------
    >>> parted = part_bands(pa.array(["T-101", "T-9", "U", None, "T-09"]))
    >>> parted.prefix.tolist(), parted.number.tolist()
    ([0, 0, 1, -1, 0], [101.0, 9.0, nan, nan, 9.0])
    >>> len(set(parted.band.tolist()))
    5
    """
    if isinstance(bands, pa.ChunkedArray):  # of sheets in several files
        bands = bands.combine_chunks()
    texts = pc.utf8_rtrim(bands, characters="0123456789")
    encoded = texts.dictionary_encode().indices
    prefix = _whole(encoded, -1)
    length = _whole(pc.subtract(pc.binary_length(bands), pc.binary_length(texts)), 0)
    if len(length) and (prefix == prefix[0]).all():  # the usual case needs no pattern
        start = int(pc.utf8_length(texts[0]).as_py() or 0)
        digits = pc.utf8_slice_codeunits(bands, start=start)
    else:
        digits = pc.struct_field(pc.extract_regex(bands, r"^.*?(?P<digits>[0-9]*)$"), "digits")
    if length.max(initial=0) > _DIGITS:
        digits = pc.utf8_slice_codeunits(digits, start=-_DIGITS)
    if not length.all():
        digits = pc.if_else(pc.equal(digits, ""), None, digits)
    number = digits.cast(pa.int64()).cast(pa.float64()).to_numpy(zero_copy_only=False)
    most = int(np.nanmax(number, initial=0)) + 1
    written = prefix * (_DIGITS + 1) + length  # 9 and 09 are two bands
    if length.max(initial=0) <= _DIGITS and (int(written.max(initial=0)) + 1) * most < 2**62:
        whole = np.nan_to_num(number).astype(np.int64)
        band = np.where(prefix < 0, -1, written * most + whole)
    else:
        band = _whole(bands.dictionary_encode().indices, -1)
    return Banded(prefix, number, band, _standing_twice(band))


def _standing_twice(band: Ints) -> Ints:
    ordered = np.sort(band)
    twice = np.unique(ordered[1:][ordered[1:] == ordered[:-1]])
    twice = twice[twice >= 0]
    if not len(twice):
        return np.zeros(0, np.int64)
    near = twice[np.minimum(np.searchsorted(twice, band), len(twice) - 1)]
    return np.flatnonzero(near == band)


def _whole(numbers: pa.Array, missing: int) -> Ints:
    return np.asarray(pc.fill_null(numbers, missing).to_numpy(zero_copy_only=False), np.int64)


def find_bands_out_of_string(sheets: Sheets, string_length: int = STRING_LENGTH) -> Iterable[Doubt]:
    """Find bands whose number stands far from every other of their prefix."""
    capture = sheets.reads["captures"].labels("capture")
    fresh = np.array([value == "new" for value in capture.values] + [True])  # the last: missing
    bands = banded(sheets)
    places = np.flatnonzero(fresh[capture.codes] & np.isfinite(bands.number))
    if len(places) < FEWEST_OF_STRING:
        return
    prefix, number = bands.prefix[places], bands.number[places]
    order = np.lexsort((number, prefix))  # stable: the earliest row of a band stays first
    band = bands.band[places[order]]
    first = np.append(True, band[1:] != band[:-1])  # a band that is new twice stands once
    places, prefix, number = (of[order][first] for of in (places, prefix, number))
    gap = np.where(prefix[1:] == prefix[:-1], np.diff(number), np.inf)
    alone = (np.append(np.inf, gap) > string_length) & (np.append(gap, np.inf) > string_length)
    size = np.bincount(prefix)
    odd = alone & (size >= FEWEST_OF_STRING)[prefix]
    odd &= (np.bincount(prefix, alone) < ALONE_SHARE * size)[prefix]
    for place in places[odd].tolist():
        message = f"no other band of its prefix within {string_length} numbers of it"
        yield Doubt("captures", place, "band", "out_of_string", "note", message)


def find_wrong_band_sizes(
    sheets: Sheets, dominant: float = DOMINANT_SHARE, fewest: int = FEWEST_FOR_SIZE
) -> Iterable[Doubt]:
    """Find bands of a size that the study hardly ever puts on that species and sex."""
    captures = sheets.captures
    sized = captures[captures["band_size"].notna()]
    if sized.empty:
        return
    kinds = [sized["species"], sized["sex"].fillna("")]
    counts = sized.groupby([*kinds, "band_size"]).size()
    birds = counts.groupby(level=[0, 1]).transform("sum")
    usual = counts[(birds >= fewest) & (counts / birds >= dominant)].reset_index(level=2)
    usual_size = usual["band_size"].to_dict()
    keys = zip(*kinds, sized["band_size"], sized.index, strict=True)
    for species, sex, size, place in keys:
        expected = usual_size.get((species, sex))
        if expected is not None and size != expected:
            message = f"this species and sex gets size {expected} in this study"
            yield Doubt("captures", int(place), "band_size", "wrong_band_size", "doubtful", message)
