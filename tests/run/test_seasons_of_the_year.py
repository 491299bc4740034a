"""Two passages in one year, and one that is under way at New Year, from sheets to dates."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from phenology import assess_study, open_study

WriteStudy = Callable[..., Path]
YEARS = (2031, 2032, 2033)
WIDTH_DAYS = 8


def _sheets(peaks: dict[int, list[pd.Timestamp]]) -> dict[str, list[dict[str, object]]]:
    """Captures and effort of every third day about the peaks of each year; no bird is real."""
    rng = np.random.default_rng(11)
    captures, effort = [], []
    for tops in peaks.values():
        for top in tops:
            for away in range(-33, 34, 3):
                date = f"{top + pd.Timedelta(days=away):%Y-%m-%d}"
                effort.append({"site": "fork", "date": date, "open": "06:00", "close": "10:30"})
                for _ in range(rng.poisson(5 * np.exp(-((away / WIDTH_DAYS) ** 2) / 2))):
                    captures.append({
                        "site": "fork", "date": date, "band": f"TEST-{len(captures):05d}",
                        "species": "Selasphorus rufus", "age": "adult", "sex": "male",
                    })  # fmt: skip
    return {"captures": captures, "effort": effort}


def _peaks(folder: Path) -> pd.DataFrame:
    told = assess_study(open_study(folder)).estimates
    peaks = told[(told["quantity"] == "peak_day") & (told["definition"] == "")]
    return peaks.set_index("season")[["estimate", "low", "high", "basis"]]


def test_spring_and_autumn_of_one_year_each_have_their_dates(write_study: WriteStudy) -> None:
    tops = {
        year: [pd.Timestamp(year, 4, 10 + year % 3), pd.Timestamp(year, 8, 9 + 2 * (year % 3))]
        for year in YEARS
    }
    windows = (
        '[[season]]\nname = "spring"\nfrom = "03-01"\nuntil = "05-20"\n'
        '[[season]]\nname = "autumn"\nfrom = "06-25"\nuntil = "09-25"\n'
    )
    peaks = _peaks(write_study(toml=windows, **_sheets(tops)))
    for year, (spring, autumn) in tops.items():
        for name, top in (("spring", spring), ("autumn", autumn)):
            row = peaks.loc[f"{year} {name}"]
            assert row["low"] - 1 <= top.day_of_year <= row["high"] + 1
            assert row["high"] - row["low"] < 20


def test_a_passage_across_new_year_runs_on_past_day_365(write_study: WriteStudy) -> None:
    tops = {year: [pd.Timestamp(year, 12, 29) + pd.Timedelta(days=year % 3)] for year in YEARS}
    window = '[season]\nfrom = "11-15"\nuntil = "02-15"\n'
    peaks = _peaks(write_study(toml=window, **_sheets(tops)))
    for year, (top,) in tops.items():
        day = (top - pd.Timestamp(year, 1, 1)).days + 1
        row = peaks.loc[str(year)]
        assert row["low"] - 1 <= day <= row["high"] + 1
        assert row["high"] - row["low"] < 20
