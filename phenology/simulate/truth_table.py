"""A finished run of a simulated study held against what the simulation knows.

``python -m phenology.simulate.truth_table RESULTS STUDY`` prints one row a quantity: how many
reported values, the share whose truth lies inside the 90 % interval, bias and mean width. It
exits with 1 if fewer than four in five lie inside, among the answers or among the single birds.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import pandas as pd

FEWEST_INSIDE = 0.8
OF_SEASONS = ("arrival_day", "peak_day", "departure_day")
OF_BIRDS = ("lean_mass_g", "fuel_load")
SINGLE = "single birds"
ALL = "all"


def truth_table(results: Path, study: Path) -> pd.DataFrame:
    """Share of reported values whose truth lies inside their interval.

    Parameters
    ----------
    results : Path
        Folder of a finished run of a simulated study.
    study : Path
        Folder of that study, with `truth/` beside its sheets.

    Returns
    -------
    DataFrame
        One row a quantity and basis: values, inside, bias, width; then all answers, and all
        single birds.
    """
    estimates = pd.read_csv(
        results / "tables" / "estimates.csv",
        keep_default_na=False,
        na_values={name: [""] for name in ("estimate", "low", "high")},
        dtype={"season": str, "definition": str},
    )
    told = estimates[(estimates["basis"] != "refused") & (estimates["scenario"] == "")]
    timing = pd.read_csv(study / "truth" / "timing.csv", dtype={"season": str})
    captures = pd.read_csv(study / "truth" / "captures.csv")
    birds = pd.read_parquet(results / "captures.parquet")
    birds = birds[["row", *(name + end for name in OF_BIRDS for end in ("", "_low", "_high"))]]
    compared = [
        *(_of_seasons(told, timing, quantity) for quantity in OF_SEASONS),
        *(_of_birds(birds, captures, quantity) for quantity in OF_BIRDS),
        _of_monsoon(told, study),
    ]
    return _shares(pd.concat(compared, ignore_index=True))


def _of_seasons(told: pd.DataFrame, timing: pd.DataFrame, quantity: str) -> pd.DataFrame:
    own = told[(told["quantity"] == quantity) & (told["definition"] == "")]
    truth = timing.rename(columns={quantity: "truth"})
    keys = ["site", "season", "group", "role"]
    return own.merge(truth[[*keys, "truth"]].dropna(), on=keys)


def _of_birds(birds: pd.DataFrame, captures: pd.DataFrame, quantity: str) -> pd.DataFrame:
    told = birds.rename(
        columns={quantity: "estimate", f"{quantity}_low": "low", f"{quantity}_high": "high"}
    ).dropna(subset="estimate")
    truth = captures[["row", quantity]].rename(columns={quantity: "truth"}).dropna()
    return told.merge(truth, on="row").assign(quantity=quantity, basis=SINGLE)


def _of_monsoon(told: pd.DataFrame, study: Path) -> pd.DataFrame:
    onset = told[(told["quantity"] == "onset_day") & (told["definition"] == "both definitions")]
    truth = pd.read_csv(study / "truth" / "monsoon.csv", dtype={"season": str})
    truth = truth.rename(columns={"onset_day": "truth"})
    return onset.merge(truth[["season", "truth"]].dropna(), on="season")


def _shares(compared: pd.DataFrame) -> pd.DataFrame:
    rows = compared.assign(
        inside=(compared["low"] <= compared["truth"]) & (compared["truth"] <= compared["high"]),
        bias=compared["estimate"] - compared["truth"],
        width=compared["high"] - compared["low"],
    )
    told = {"values": ("inside", "size"), "inside": ("inside", "mean")}
    told |= {"bias": ("bias", "mean"), "width": ("width", "mean")}
    table = rows.groupby(["quantity", "basis"], sort=False).agg(**told).reset_index()
    single = rows["basis"] == SINGLE
    every = [
        {
            "quantity": ALL,
            "basis": name,
            "values": int(kind.sum()),
            "inside": rows.loc[kind, "inside"].mean(),
        }
        for name, kind in (("answers", ~single), (SINGLE, single))
    ]
    return pd.concat([table, pd.DataFrame(every)], ignore_index=True)


def main() -> int:
    """Print the table; 1 if too few truths lie inside."""
    parser = argparse.ArgumentParser(
        prog="python -m phenology.simulate.truth_table", description=__doc__
    )
    parser.add_argument("results", type=Path)
    parser.add_argument("study", type=Path)
    asked = parser.parse_args()
    table = truth_table(asked.results, asked.study)
    sys.stdout.write(table.to_string(index=False, float_format="%.3f", na_rep="") + "\n")
    return 0 if (table.loc[table["quantity"] == ALL, "inside"] >= FEWEST_INSIDE).all() else 1


if __name__ == "__main__":
    sys.exit(main())
