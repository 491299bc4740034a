"""A study's sheets while mistakes are planted in them: picks cells, changes them, keeps a list."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Mapping

FIRST_ROW = 2  # as a spreadsheet numbers the row below the headings


@dataclass
class Change:
    """One cell changed, or a row added (no column)."""

    sheet: str
    row: int
    column: str
    old: str
    new: str


@dataclass
class Draft:
    """Sheets of text cells, what is known of them, and which rows are taken.

    A row or a band that carries a mistake is not touched again, so that mistakes do not hide one
    another.
    """

    sheets: dict[str, pd.DataFrame]
    rng: np.random.Generator
    taken: dict[str, set[int]] = field(default_factory=dict)
    taken_bands: set[str] = field(default_factory=set)
    changes: list[Change] = field(default_factory=list)

    @classmethod
    def of(cls, sheets: Mapping[str, pd.DataFrame], rng: np.random.Generator) -> Draft:
        """Copy the sheets."""
        return cls({kind: sheet.copy() for kind, sheet in sheets.items()}, rng)

    @property
    def captures(self) -> pd.DataFrame:
        """The sheet of captures as it stands."""
        return self.sheets["captures"]

    def number(self, column: str) -> pd.Series:
        """A column of captures as numbers, missing where blank or unreadable."""
        return pd.to_numeric(self.captures[column], errors="coerce").astype(float)

    def hours(self, column: str) -> pd.Series:
        """A column of times as hours."""
        return (
            pd.to_timedelta(self.captures[column] + ":00", errors="coerce").dt.total_seconds()
            / 3600
        )

    def times_caught(self) -> pd.Series:
        """Captures of each row's band; 0 without a band."""
        band = self.captures["band"]
        return band.map(band.value_counts()).where(band != "", 0)

    def pick(self, wanted: pd.Series, sheet: str = "captures") -> int:
        """Position of a row, drawn among those wanted and free.

        Raises
        ------
        LookupError
            If there is none.
        """
        free = wanted.fillna(value=False).to_numpy(dtype=bool).copy()
        free[[row for row in self.taken.get(sheet, ()) if row < free.size]] = False
        if sheet == "captures":
            free &= ~self.captures["band"].isin(self.taken_bands).to_numpy()
        rows = np.flatnonzero(free)
        if not rows.size:
            raise LookupError(f"no row of {sheet} is left for this mistake")
        return int(self.rng.choice(rows))

    def change(self, row: int, column: str, new: str, sheet: str = "captures") -> None:
        """Write a cell and list it."""
        table = self.sheets[sheet]
        old = str(table.loc[row, column])
        table.loc[row, column] = new
        self.changes.append(Change(sheet, row + FIRST_ROW, column, old, new))
        self.take(row, sheet)

    def append(self, row: dict[str, str], sheet: str) -> None:
        """Add a row at the end and list it."""
        table = self.sheets[sheet]
        self.sheets[sheet] = pd.concat([table, pd.DataFrame([row])], ignore_index=True)
        self.changes.append(Change(sheet, len(table) + FIRST_ROW, "", "", "row added"))
        self.take(len(table), sheet)

    def take(self, row: int, sheet: str = "captures") -> None:
        """Mark a row, and its bird, as used."""
        self.taken.setdefault(sheet, set()).add(row)
        if sheet == "captures":
            band = str(self.captures.loc[row, "band"])
            if band:
                self.taken_bands.add(band)

    def earlier(self, row: int) -> int:
        """Position of the former capture of the same band."""
        band = self.captures["band"]
        rows = np.flatnonzero((band == band[row]).to_numpy())
        return int(rows[rows < row][-1])

    def spread(self, column: str) -> pd.Series:
        """Robust distance of each value from the middle of its species and sex."""
        value = self.number(column)
        groups = [self.captures["species"], self.captures["sex"]]
        middle = value.groupby(groups).transform("median")
        scale = (value - middle).abs().groupby(groups).transform("median") * 1.4826
        return (value - middle) / scale.replace(0.0, np.nan)
