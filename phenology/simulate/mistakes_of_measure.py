"""Mistakes in what is measured: slips of digit, point, column, row and unit; odd readings."""

from __future__ import annotations

import numpy as np
import pandas as pd

from phenology.simulate.draft import Draft

MM_PER_INCH = 25.4
G_PER_OUNCE = 28.3495
BLOCK_ROWS = 6
MEASURES = ("wing_mm", "bill_mm", "mass_g")


def _written_like(value: float, text: str) -> str:
    """A number with as many digits after the point as a text has."""
    digits = len(text.partition(".")[2])
    return f"{value:.{digits}f}"


def digits_swapped(draft: Draft) -> None:
    """Write the first two digits of a mass or wing length in the wrong order."""
    column = str(draft.rng.choice(["mass_g", "wing_mm"]))
    digits = draft.captures[column].str.replace(".", "", regex=False)
    first, second = (pd.to_numeric(digits.str[at], errors="coerce") for at in (0, 1))
    row = draft.pick((second - first).abs().ge(2) & first.gt(0) & second.gt(0))
    text = str(draft.captures.loc[row, column])
    point = text.index(".")
    swapped = "".join([digits[row][1], digits[row][0], digits[row][2:]])
    draft.change(row, column, f"{swapped[:point]}.{swapped[point:]}")


def decimal_shifted(draft: Draft) -> None:
    """Put the point one place to the right in a mass or to the left in a wing length."""
    column, factor = (("mass_g", 10.0), ("wing_mm", 0.1))[draft.rng.integers(2)]
    value = draft.number(column)
    row = draft.pick(value.notna())
    draft.change(row, column, _written_like(value[row] * factor, "0.0" if factor > 1 else "0.00"))


def columns_swapped(draft: Draft) -> None:
    """Write wing length and bill length each in the other's column."""
    sheet = draft.captures
    row = draft.pick(sheet["wing_mm"].ne("") & sheet["bill_mm"].ne(""))
    wing, bill = (str(sheet.loc[row, column]) for column in ("wing_mm", "bill_mm"))
    draft.change(row, "wing_mm", bill)
    draft.change(row, "bill_mm", wing)


def block_shifted(draft: Draft) -> None:
    """Write the measurements of six rows one row too low, the last at the top."""
    sheet = draft.captures
    complete = pd.Series(True, index=sheet.index)
    for column in MEASURES:
        complete &= sheet[column].ne("")
    complete &= ~sheet.index.isin(list(draft.taken.get("captures", ())))
    runs = complete.rolling(BLOCK_ROWS).sum().eq(BLOCK_ROWS)
    kinds = pd.Series(pd.factorize(sheet["species"])[0], index=sheet.index)
    changes = kinds.diff().ne(0).rolling(BLOCK_ROWS - 1).sum()
    last = draft.pick(runs & changes.ge(BLOCK_ROWS - 2))
    rows = list(range(last - BLOCK_ROWS + 1, last + 1))
    for column in MEASURES:
        values = [str(sheet.loc[row, column]) for row in rows]
        for row, value in zip(rows, [values[-1], *values[:-1]], strict=True):
            draft.change(row, column, value)


def wrong_unit(draft: Draft) -> None:
    """Write a wing length in inches or a mass in ounces."""
    column, divisor, like = (
        ("wing_mm", MM_PER_INCH, "0.00"),
        ("mass_g", G_PER_OUNCE, "0.000"),
    )[draft.rng.integers(2)]
    value = draft.number(column)
    row = draft.pick(value.notna())
    draft.change(row, column, _written_like(value[row] / divisor, like))


def row_repeated(draft: Draft) -> None:
    """Copy all measurements from the row above, a bird of another size."""
    wing, mass = draft.number("wing_mm"), draft.number("mass_g")
    differs = wing.diff().abs().ge(4.0) & mass.diff().abs().ge(0.3)
    differs &= draft.captures["bill_mm"].ne("") & draft.captures["bill_mm"].shift().ne("")
    row = draft.pick(differs)
    for column in MEASURES:
        draft.change(row, column, str(draft.captures.loc[row - 1, column]))


def implausible(draft: Draft) -> None:
    """Write a mass far above what a bird of the kind can carry, by no slip that can be named."""
    mass = draft.number("mass_g")
    row = draft.pick(mass.notna())
    heavy = mass[row] * draft.rng.uniform(2.2, 2.8)
    draft.change(row, "mass_g", _written_like(heavy, str(draft.captures.loc[row, "mass_g"])))


def wing_differs(draft: Draft) -> None:
    """Write a wing at a later capture that the same bird cannot have."""
    sheet, wing = draft.captures, draft.number("wing_mm")
    former = wing.groupby(sheet["band"].where(sheet["band"].ne(""))).shift()
    row = draft.pick(wing.notna() & former.notna())
    draft.change(row, "wing_mm", f"{wing[row] + draft.rng.choice([-5.0, 5.0]):.1f}")


def mass_change(draft: Draft) -> None:
    """Write a mass at a repeat that no bird reaches in so few days."""
    sheet, mass = draft.captures, draft.number("mass_g")
    by_band = sheet["band"].where(sheet["band"].ne(""))
    former = mass.groupby(by_band).shift()
    days = pd.to_datetime(sheet["date"], errors="coerce").groupby(by_band).diff().dt.days
    row = draft.pick(mass.notna() & former.notna() & days.between(1, 3) & mass.lt(4.0))
    draft.change(row, "mass_g", _written_like(former[row] * 1.6, str(sheet.loc[row, "mass_g"])))


def fat_on_lean(draft: Draft) -> None:
    """Write the fullest fat class beside one of the lowest masses."""
    light = draft.spread("mass_g").le(-1.3) & draft.captures["fat"].isin(["0", "1"])
    draft.change(draft.pick(light), "fat", "5")


def digit_preference(draft: Draft) -> None:
    """Let one bander weigh to half grams through the season in which he weighed most."""
    sheet, mass = draft.captures, draft.number("mass_g")
    for row in _season_of_a_bander(draft, mass.notna()):
        rounded = np.floor(mass[row] * 2 + 0.5) / 2
        text = _written_like(rounded, str(sheet.loc[row, "mass_g"]))
        if text != sheet.loc[row, "mass_g"]:
            draft.change(row, "mass_g", text)


def reader_apart(draft: Draft) -> None:
    """Let one bander read wings two millimetres long through a season."""
    wing = draft.number("wing_mm")
    for row in _season_of_a_bander(draft, wing.notna()):
        draft.change(row, "wing_mm", f"{wing[row] + 2.0:.1f}")


def _season_of_a_bander(draft: Draft, wanted: pd.Series) -> list[int]:
    """Free rows of one bander and season, drawn among the fuller ones."""
    sheet = draft.captures
    free = wanted & ~sheet.index.isin(list(draft.taken.get("captures", ())))
    key = sheet["bander"] + " " + sheet["date"].str[:4]
    counted = key[free].value_counts().sort_index()
    enough = counted[counted >= counted.quantile(0.75)]
    if enough.empty:
        raise LookupError("no bander has a season left for this mistake")
    chosen = enough.index[int(draft.rng.integers(len(enough)))]
    return [int(row) for row in np.flatnonzero((free & key.eq(chosen)).to_numpy())]
