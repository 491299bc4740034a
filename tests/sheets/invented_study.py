"""An invented study without mistakes, as text, to plant mistakes in."""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

TOML = """\
name = "Invented stations"

[species]
"Selasphorus rufus" = "passage"
"Selasphorus platycercus" = "local"
"Archilochus alexandri" = "local"

[limits]
handling_min = 45
"""
# species, sex: wing, tail, bill [mm] and lean mass [g]; invented, of the right size
BODIES = {
    ("RUHU", "M"): (40.4, 27.5, 16.4, 3.0),
    ("RUHU", "F"): (44.6, 27.0, 17.6, 3.2),
    ("BTHU", "M"): (49.1, 33.0, 17.5, 3.2),
    ("BTHU", "F"): (50.3, 31.0, 18.9, 3.5),
    ("BCHU", "M"): (42.7, 26.0, 18.4, 2.9),
    ("BCHU", "F"): (47.2, 28.0, 20.4, 3.3),
}


@dataclass
class InventedStudy:
    """Sheets of text that a test may change before writing them."""

    captures: pd.DataFrame
    effort: pd.DataFrame
    sites: pd.DataFrame
    toml: str = TOML
    more: dict[str, pd.DataFrame] = field(default_factory=dict)

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "study.toml").write_text(self.toml, encoding="utf-8")
        sheets = {
            "captures": self.captures,
            "effort": self.effort,
            "sites": self.sites,
            **self.more,
        }
        for name, table in sheets.items():
            table.to_csv(folder / f"{name}.csv", index=False)
        return folder


def invent_study(birds: int, seed: int) -> InventedStudy:
    """Banding at two invented stations: sessions every fifth day, a tenth of birds seen again."""
    rng = np.random.default_rng(seed)
    days = pd.date_range("2031-06-15", "2031-09-28", freq="5D")
    sites = ["fork", "ridge"]
    kinds = list(BODIES)
    rows = []
    for number in range(birds):
        species, sex = kinds[rng.choice(len(kinds), p=[0.2, 0.25, 0.15, 0.15, 0.1, 0.15])]
        body = np.array(BODIES[species, sex])
        size = rng.normal(0, 0.018)
        wing, tail, bill, lean = body * np.exp(
            size * np.array([1, 1, 0.6, 2.4]) + rng.normal(0, [0.014, 0.025, 0.025, 0.05])
        )
        fat = int(rng.choice(6, p=[0.35, 0.25, 0.15, 0.12, 0.08, 0.05]))
        first = int(rng.integers(len(days) - 2))
        caught = [first] + ([first + 1] if rng.random() < 0.1 else [])
        site = sites[rng.integers(2)]
        for visit, day in enumerate(caught):
            minute = int(rng.integers(6 * 60, 11 * 60))
            held = int(rng.integers(5, 30))
            mass = lean * (1 + 0.11 * fat) * np.exp(rng.normal(0, 0.03))
            rows.append(
                {
                    "site": site,
                    "date": f"{days[day]:%Y-%m-%d}",
                    "time": f"{minute // 60}:{minute % 60:02d}",
                    "release_time": f"{(minute + held) // 60}:{(minute + held) % 60:02d}",
                    "band": f"TEST-{10000 + number}",
                    "capture": "new" if visit == 0 else "recap",
                    "species": species,
                    "age": "HY" if rng.random() < 0.4 and visit == 0 else "AHY",
                    "sex": sex,
                    "wing_mm": f"{wing + rng.normal(0, 0.25):.1f}",
                    "tail_mm": f"{tail:.1f}",
                    "bill_mm": f"{bill:.1f}",
                    "mass_g": f"{mass:.2f}",
                    "fat": str(fat),
                    "trap": "A",
                    "bander": rng.choice(["one", "two"]),
                    "number": number,
                }
            )
    captures = pd.DataFrame(rows)
    captures["age"] = captures.groupby("number")["age"].transform("first")
    captures = captures.sort_values(["date", "site", "time"], kind="stable", ignore_index=True)
    effort = pd.DataFrame(
        [
            {
                "site": site, "date": f"{day:%Y-%m-%d}", "trap": "A", "open": "05:45",
                "close": "11:15", "traps": "1", "method": "trap", "baited": "yes",
            }
            for site in sites
            for day in days
        ]
    )  # fmt: skip
    stations = pd.DataFrame(
        {
            "site": sites,
            "name": ["Invented fork", "Invented ridge"],
            "latitude": [33.2187, 33.4311],
            "longitude": [-109.1412, -109.2056],
            "elevation_m": [2100, 2400],
            "timezone": "America/Phoenix",
            "sensitive": ["yes", "no"],
        }
    )
    return InventedStudy(captures.drop(columns="number"), effort, stations)
