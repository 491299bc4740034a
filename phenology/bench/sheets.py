"""Checking a million captures against reading and typing the same file."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from phenology.bench.measure import Measured, measure_python, median_seconds

FULL_ROWS, QUICK_ROWS = 1_000_000, 100_000
WORKBOOK_ROWS = 50_000

STUDY_TOML = """\
name = "Invented captures"
[species]
"Selasphorus rufus" = "passage"
"Archilochus alexandri" = "local"
"Selasphorus platycercus" = "local"
"""
_SITES = "site,latitude,longitude\nfork,33.0,-109.0\nridge,33.1,-109.0\ncreek,33.2,-109.0\n"


def invent_captures(rows: int, seed: int = 1) -> pd.DataFrame:
    """Invent captures of 16 columns, one bird a row."""
    rng = np.random.default_rng(seed)
    minutes = rng.integers(6 * 60, 12 * 60, rows)
    return pd.DataFrame(
        {
            "site": rng.choice(["fork", "ridge", "creek"], rows),
            "date": (np.datetime64("2021-06-01") + rng.integers(0, 3600, rows)).astype(str),
            "time": [f"{minute // 60:02d}:{minute % 60:02d}" for minute in minutes],
            "band": [f"TEST-{number:07d}" for number in range(rows)],
            "capture": rng.choice(["new", "foreign"], rows, p=[0.9, 0.1]),
            "species": rng.choice(["RUHU", "BCHU", "BTHU"], rows),
            "age": rng.choice(["AHY", "HY"], rows),
            "sex": rng.choice(["M", "F", "U"], rows),
            "wing_mm": np.round(rng.normal(45, 1.5, rows), 1),
            "tail_mm": np.round(rng.normal(28, 1, rows), 1),
            "bill_mm": np.round(rng.normal(18, 0.7, rows), 1),
            "mass_g": np.round(rng.normal(3.4, 0.3, rows), 2),
            "fat": rng.integers(0, 6, rows),
            "trap": rng.choice(["A", "B"], rows),
            "bander": rng.choice(["one", "two"], rows),
            "remarks": "",
        }
    )


def bench_sheets(quick: bool) -> list[Measured]:
    """Measure `open_study` on CSV and on a workbook; polars' typed read of the CSV beside it."""
    rows = QUICK_ROWS if quick else FULL_ROWS
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "study"
        _write_study(folder)
        captures = folder / "captures.csv"
        invent_captures(rows).to_csv(captures, index=False)
        ours = _seconds_of_open(folder)
        read = f"import polars; polars.read_csv({str(captures)!r}, try_parse_dates=True)"
        theirs = _seconds_of("import polars", read)
        use = measure_python(
            f"from pathlib import Path; from phenology.study.study import open_study; "
            f"open_study(Path({str(folder)!r}))"
        )
        csv = Measured(
            f"{rows:,} captures checked from CSV", ours, "polars' typed read", theirs, use.peak_gib
        )
        captures.unlink()
        workbook_rows = WORKBOOK_ROWS // 10 if quick else WORKBOOK_ROWS
        invent_captures(workbook_rows).to_excel(folder / "captures.xlsx", index=False)
        book = Measured(
            f"{workbook_rows:,} captures checked from a workbook", _seconds_of_open(folder)
        )
    return [csv, book]


def _write_study(folder: Path) -> None:
    folder.mkdir()
    (folder / "study.toml").write_text(STUDY_TOML, encoding="utf-8")
    (folder / "sites.csv").write_text(_SITES, encoding="utf-8")


def _seconds_of_open(folder: Path) -> float:
    from phenology.study.study import open_study

    return median_seconds(lambda: open_study(folder), 3)


def _seconds_of(prepare: str, statement: str) -> float:
    import timeit

    return sorted(timeit.repeat(statement, prepare, number=1, repeat=3))[1]
