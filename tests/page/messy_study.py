"""An invented workbook with mistakes and hostile text, small enough for a quick run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

HOSTILE = (
    "<script>alert(1)</script><img src=x onerror=alert(1)>{{7*7}}${7*7}"
    "\x1b[31m\u202egnp.exe\u2066'\"&=1+1"
)
LONG = HOSTILE + "x" * (5000 - len(HOSTILE))
SITE, SPECIES = "fork", "Selasphorus rufus"
YEARS = (2031, 2032, 2033)
NAME = "Invented <script>alert(1)</script> station"
TOML = f"""\
name = "{NAME}"

[species]
"{SPECIES}" = "passage"
"""
RETURNING = "TEST-00001"  # caught again and again


def sheets(seed: int = 3) -> dict[str, list[dict[str, object]]]:
    """Clean rows by kind of sheet, before the mistakes."""
    rng = np.random.default_rng(seed)
    captures, effort, bloom, feeders = [], [], [], []
    for year in YEARS:
        up_from = 225 if year == YEARS[0] else 205
        feeders.append({"site": SITE, "from": _day(year, up_from), "until": _day(year, 250),
                        "feeders": 3, "kept_by": "us"})  # fmt: skip
        for day in range(195, 245, 2):
            date = _day(year, day)
            effort.append({"site": SITE, "date": date, "open": "06:30", "close": "11:00",
                           "traps": 2, "method": "net", "baited": "no"})  # fmt: skip
            if day % 10 == 5:
                bloom.append({"site": SITE, "date": date, "plant": "Invented penstemon",
                              "open_flowers": int(rng.poisson(40 + 4 * (year - 2031))),
                              "area_m2": 100, "complete": "yes"})  # fmt: skip
            expected = 3 * np.exp(-(((day - 218) / 10) ** 2) / 2)
            bands = (f"TEST-{year % 100}{day}{number}" for number in range(rng.poisson(expected)))
            captures += [_bird(rng, date, band) for band in bands]
    seen_again = (_day(2031, 215), _day(2031, 221), _day(2032, 217))
    captures += [_bird(rng, date, RETURNING) for date in seen_again]
    captures.sort(key=lambda bird: str(bird["date"]))
    station = {"site": SITE, "name": "Invented fork", "latitude": 30.1, "longitude": -108.2,
               "elevation_m": 2100}  # fmt: skip
    return {"captures": captures, "effort": effort, "sites": [station], "bloom": bloom,
            "feeders": feeders}  # fmt: skip


def _day(year: int, day: int) -> str:
    return f"{pd.Timestamp(year, 1, 1) + pd.Timedelta(days=day - 1):%Y-%m-%d}"


def _bird(rng: np.random.Generator, date: str, band: str) -> dict[str, object]:
    fat = int(rng.integers(0, 4))
    mass = 3.2 * (1 + 0.08 * fat) * np.exp(rng.normal(0, 0.03))
    return {
        "site": SITE, "date": date, "time": "08:30", "band": band, "species": SPECIES,
        "age": "adult", "sex": "male", "wing_mm": round(rng.normal(40, 0.8), 1),
        "mass_g": round(mass, 2), "fat": fat, "released": "well", "bander": "ZZ",
        "remarks": "left leg",
    }  # fmt: skip


def write_messy_workbook(path: Path) -> None:
    """The clean sheets with a decimal shifted, a site misspelt and hostile text everywhere."""
    written = sheets()
    captures = written["captures"]
    captures[4]["wing_mm"] = 4.01
    captures[9]["site"] = "frok"
    for column in captures[0]:
        captures.append({**captures[12], "band": f"TEST-9{len(captures)}", column: HOSTILE})
    captures[15]["remarks"] = LONG
    for kind in ("effort", "bloom", "feeders", "sites"):
        for number, column in enumerate(list(written[kind][0])):
            row = {**written[kind][0], column: HOSTILE}
            if kind == "sites" and column != "site":
                row["site"] = f"other{number}"
            written[kind].append(row)
    with pd.ExcelWriter(path, engine="openpyxl") as workbook:
        for kind, rows in written.items():
            table = pd.DataFrame(rows).map(_fit_for_a_workbook)
            table.to_excel(workbook, sheet_name=kind, index=False)


def _fit_for_a_workbook(value: object) -> object:
    """A workbook holds no escape codes; the CSV files of other tests do."""
    return value.replace("\x1b", "") if isinstance(value, str) else value
