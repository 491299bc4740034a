"""A sheet as written: text cells by column, every distinct text kept once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

IntArray = npt.NDArray[np.int64] | npt.NDArray[np.int32]


@dataclass
class Cells:
    """One column of cells: `texts` holds each distinct text once, `codes` points into it."""

    codes: IntArray
    texts: pa.Array

    @classmethod
    def of(cls, values: Iterable[str]) -> Cells:
        """Gather a column of texts."""
        encoded = pa.array(values, type=pa.string()).dictionary_encode()
        return cls.of_arrow(encoded)

    @classmethod
    def of_arrow(cls, encoded: pa.DictionaryArray) -> Cells:
        """Wrap an Arrow dictionary column."""
        return cls(encoded.indices.to_numpy(zero_copy_only=False), encoded.dictionary)

    def distinct(self) -> Cells:
        """Cells whose texts are all different, where they may hold one text several times."""
        if len(self.texts) < len(self.codes):
            return self
        encoded = self.texts.dictionary_encode()
        return Cells(encoded.indices.to_numpy()[self.codes], encoded.dictionary)

    def at(self, position: int) -> str:
        """Text at a row position, counted from 0."""
        return str(self.texts[int(self.codes[position])].as_py())

    def put(self, position: int, text: str) -> None:
        """Replace the text at a row position."""
        codes = self.codes.copy()
        codes[position] = len(self.texts)
        self.codes = codes
        self.texts = pa.concat_arrays([self.texts, pa.array([text], type=self.texts.type)])

    def rows(self, positions: npt.NDArray[np.int64]) -> Cells:
        """Cells at some positions, with the texts they use."""
        used, codes = np.unique(self.codes[positions], return_inverse=True)
        return Cells(codes.astype(np.int32), self.texts.take(pa.array(used)))

    def filled(self) -> npt.NDArray[np.bool_]:
        """Whether each cell holds more than blanks."""
        written = pc.greater(pc.utf8_length(pc.utf8_trim_whitespace(self.texts)), 0)
        return np.asarray(written.to_numpy(zero_copy_only=False), dtype=bool)[self.codes]

    def values(self, positions: npt.NDArray[np.int64]) -> list[str]:
        """Texts at row positions."""
        return list(self.texts.take(pa.array(self.codes[positions])).to_pylist())


@dataclass
class Grid:
    """All cells of one sheet; position 0 is the row that the spreadsheet numbers 1."""

    file: str
    tab: str
    columns: list[Cells]
    height: int
    notes: list[str] = field(default_factory=list)

    def head(self, rows: int) -> list[list[str]]:
        """Texts of the first rows."""
        return [[cells.at(row) for cells in self.columns] for row in range(min(rows, self.height))]

    def filled(self) -> npt.NDArray[np.bool_]:
        """Whether a row holds anything."""
        written = np.zeros(self.height, dtype=bool)
        for cells in self.columns:
            written |= cells.filled()
            if written.all():
                break
        return written


def grid_of_rows(file: str, tab: str, rows: Sequence[Sequence[str]]) -> Grid:
    """Make a grid of ragged rows; what a short row lacks is empty."""
    width = max((len(row) for row in rows), default=0)
    columns = [
        Cells.of(row[place] if place < len(row) else "" for row in rows) for place in range(width)
    ]
    return Grid(file, tab, columns, len(rows))
