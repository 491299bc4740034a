"""Slips of every kind planted in an invented study without mistakes, and the table of recall."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from phenology.study.study import open_study

MEASURES = ("wing_mm", "tail_mm", "bill_mm", "mass_g")


@dataclass(frozen=True)
class Planted:
    """A slip: the kinds of finding that recognise it, where it is, and the value that was meant."""

    slip: str
    kinds: tuple[str, ...]
    sheet: str
    row: int
    column: str = ""
    meant: str = ""


class Planter:
    """Plants slips in text sheets, at most one in a row and never beside another."""

    def __init__(self, study, seed: int) -> None:
        self.study = study
        self.rng = np.random.default_rng(seed)
        self.taken: set[int] = set()
        self.planted: list[Planted] = []
        numbers = study.captures[list(MEASURES)].astype(float)
        classes = [study.captures[name] for name in ("species", "sex", "age")]
        self.spread = numbers.groupby(classes).transform("std")

    def free_row(self, allowed: np.ndarray | None = None, margin: int = 1) -> int:
        rows = np.arange(margin, len(self.study.captures) - margin)
        if allowed is not None:
            rows = rows[allowed[rows]]
        for row in self.rng.permutation(rows):
            near = range(int(row) - margin, int(row) + margin + 1)
            if not self.taken.intersection(near):
                self.taken.update(near)
                return int(row)
        raise LookupError("the study is too small for so many slips")

    def note(self, slip, kinds, row, column="", meant="", sheet="captures") -> None:
        self.planted.append(Planted(slip, kinds, sheet, row + 2, column, meant))

    def put(self, row: int, column: str, text: str) -> None:
        self.study.captures.loc[row, column] = text

    def measurement(
        self, slip: str, change: Callable[[str, str], str], kinds: tuple[str, ...]
    ) -> None:
        """Plant a changed measurement that differs by more than three standard deviations."""
        for _ in range(200):
            row = self.free_row()
            column = MEASURES[self.rng.integers(len(MEASURES))]
            meant = self.study.captures.loc[row, column]
            text = change(meant, column)
            if abs(float(text) - float(meant)) > 3 * self.spread.loc[row, column]:
                self.put(row, column, text)
                self.note(slip, kinds, row, column, meant)
                return

    def swap_digits(self, text: str, _: str) -> str:
        places = [place for place, sign in enumerate(text) if sign.isdigit()]
        first = int(self.rng.integers(len(places) - 1))
        signs = list(text)
        a, b = places[first], places[first + 1]
        signs[a], signs[b] = signs[b], signs[a]
        return "".join(signs)

    def swap_columns(self) -> None:
        for _ in range(200):
            row = self.free_row()
            one, other = self.rng.choice(MEASURES, 2, replace=False)
            captures = self.study.captures
            a, b = captures.loc[row, one], captures.loc[row, other]
            if abs(float(a) - float(b)) > 3 * self.spread.loc[row, [one, other]].max():
                self.put(row, one, b)
                self.put(row, other, a)
                self.note("columns swapped", ("columns_swapped",), row, one, a)
                return

    def shift_block(self) -> None:
        length = int(self.rng.integers(6, 12))
        start = self.free_row(margin=length + 2)
        columns = list(MEASURES[:3])
        block = self.study.captures.loc[start : start + length, columns].to_numpy()
        self.study.captures.loc[start : start + length, columns] = np.roll(block, 1, axis=0)
        self.note("block shifted by a row", ("block_shifted",), start)

    def repeat_row(self) -> None:
        row = self.free_row()
        columns = [*MEASURES, "fat"]
        self.study.captures.loc[row, columns] = self.study.captures.loc[row - 1, columns]
        self.note("row above repeated", ("row_repeated",), row)


def plant(study, seed: int, of_each: int = 20) -> list[Planted]:
    """Plant slips of every kind in a study's sheets."""
    planter = Planter(study, seed)
    rng = planter.rng
    captures, effort = study.captures, study.effort
    for _ in range(3):
        planter.shift_block()
    for _ in range(of_each):
        factor = float(rng.choice([10, 0.1]))
        planter.measurement(
            "decimal shifted",
            lambda text, _, by=factor: f"{float(text) * by:.6g}",
            ("decimal_shifted",),
        )
        planter.measurement("digits swapped", planter.swap_digits, ("digits_swapped",))
        planter.measurement(
            "inches or ounces",
            lambda text, column: (
                f"{float(text) / 28.3495:.3f}"
                if column == "mass_g"
                else f"{float(text) / 25.4:.2f}"
            ),
            ("wrong_unit",),
        )
        planter.measurement("filler", lambda _, __: str(rng.choice(["99", "999"])), ("filler",))
        planter.swap_columns()
        planter.repeat_row()
        row = planter.free_row()
        planter.note(
            "unreadable number", ("unreadable",), row, "wing_mm", captures.loc[row, "wing_mm"]
        )
        planter.put(row, "wing_mm", captures.loc[row, "wing_mm"].replace(".", "o"))
        row = planter.free_row()
        planter.put(row, "time", f"{rng.integers(6, 11)}:{rng.integers(60, 99)}")
        planter.note("unreadable time", ("unreadable_time",), row, "time")
        row = planter.free_row()
        planter.put(row, "date", f"2031-0{rng.integers(6, 9)}-{rng.integers(32, 40)}")
        planter.note("unreadable date", ("unreadable_date",), row, "date")
        row = planter.free_row()
        planter.put(
            row,
            "species",
            {"RUHU": "RUFU", "BTHU": "BTTH", "BCHU": "BCCH"}[captures.loc[row, "species"]],
        )
        planter.note("unknown species", ("unknown_species",), row, "species")
        row = planter.free_row()
        planter.put(row, "site", captures.loc[row, "site"] + "e")
        planter.note("unknown site", ("unknown_site",), row, "site")
        row = planter.free_row()
        hour, _, minute = captures.loc[row, "time"].partition(":")
        planter.put(row, "release_time", f"{int(hour) - 1}:{minute}")
        planter.note("released before caught", ("negative_time_in_hand",), row, "release_time")
        row = planter.free_row()
        planter.put(
            row, "release_time", f"{int(captures.loc[row, 'time'].partition(':')[0]) + 2}:30"
        )
        planter.note("held too long", ("long_time_in_hand",), row, "release_time")
        row = planter.free_row()
        planter.put(row, "time", f"{rng.integers(13, 20)}:{rng.integers(10, 59)}")
        planter.put(row, "release_time", "")
        planter.note("outside the session", ("outside_session",), row, "time")
        row = planter.free_row()
        moved = pd.Timestamp(captures.loc[row, "date"]) + pd.Timedelta(days=2)
        planter.put(row, "date", f"{moved:%Y-%m-%d}")
        planter.note("day without effort", ("no_effort",), row, "date")
        _plant_in_histories(planter)
    for row in rng.choice(len(effort), 4, replace=False):
        effort.loc[row, "close"] = "1:15"
        planter.note(
            "session closes first", ("negative_session",), int(row), "close", sheet="effort"
        )
    return planter.planted


def _plant_in_histories(planter: Planter) -> None:
    captures = planter.study.captures
    again = (captures["capture"] == "recap").to_numpy()

    def longer_wing(row: int) -> tuple[str, str]:
        return "wing_mm", f"{float(captures.loc[row, 'wing_mm']) * 1.07:.1f}"

    for slip, kind, column, change in (
        ("recapture called new", "new_again", "band", lambda _: ("capture", "new")),
        (
            "species changes", "band_changes_species", "species",
            lambda row: ("species", "BCHU" if captures.loc[row, "species"] != "BCHU" else "RUHU"),
        ),
        (
            "sex changes", "band_changes_sex", "sex",
            lambda row: ("sex", "M" if captures.loc[row, "sex"] == "F" else "F"),
        ),
        ("wing of one bird differs", "wing_differs", "wing_mm", longer_wing),
    ):  # fmt: skip
        try:
            row = planter.free_row(again, margin=0)
        except LookupError:
            continue
        planter.put(row, *change(row))
        planter.note(slip, (kind,), row, column)
    try:
        adults = again & (captures["age"] == "AHY").to_numpy()
        row = planter.free_row(adults, margin=0)
        planter.put(row, "age", "HY")
        planter.note("grows younger", ("grows_younger",), row, "age")
        row = planter.free_row(again, margin=0)
        planter.put(row, "band", f"TEST-{90000 + row}")
        planter.note("repeat never banded", ("never_banded",), row, "capture")
    except LookupError:
        return


def recall_table(study, folder: Path, seed: int, of_each: int = 20) -> pd.DataFrame:
    """Recall by kind of slip: found at all, explained, with the value that was meant."""
    planted = plant(study, seed, of_each)
    findings = open_study(study.write(folder)).findings
    findings = findings[findings["severity"] != "note"]
    cells: dict[tuple[str, int], list] = {}
    for finding in findings.itertuples(index=False):
        if pd.notna(finding.row):
            cells.setdefault((finding.sheet, int(finding.row)), []).append(finding)
    rows = []
    for slip in planted:
        reach = range(slip.row - 1, slip.row + 14) if "block" in slip.slip else [slip.row]
        here = [finding for row in reach for finding in cells.get((slip.sheet, row), [])]
        found = [
            f
            for f in here
            if not slip.column or f.column in (slip.column, "") or f.kind in slip.kinds
        ]
        named = [f for f in here if f.kind in slip.kinds]
        value = [
            f
            for f in named
            if slip.meant and f.column == slip.column and _same(f.suggestion, slip.meant)
        ]
        rows.append(
            {
                "slip": slip.slip,
                "planted": 1,
                "found": bool(found),
                "named": bool(named),
                "value": bool(value),
            }
        )
    table = (
        pd.DataFrame(rows)
        .groupby("slip")
        .agg(
            planted=("planted", "sum"),
            found=("found", "mean"),
            named=("named", "mean"),
            value=("value", "mean"),
        )
    )
    return table.round(3)


def _same(suggestion: str, meant: str) -> bool:
    try:
        return abs(float(suggestion) - float(meant)) <= 0.02 * abs(float(meant)) + 0.02
    except ValueError:
        return suggestion == meant
