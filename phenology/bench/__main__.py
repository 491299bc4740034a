"""``python -m phenology.bench [--quick] [--keep] [SUBJECT ...]``, from a checkout.

With --keep the rows go into models/benchmarks/measured.csv, in place of former ones of the same
subjects, with the day, the machine and the versions.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
from datetime import UTC, datetime
from importlib import import_module
from importlib.metadata import version
from pathlib import Path

import pandas as pd

import phenology.models
from phenology.machine import machine_kind

KEPT = Path(phenology.models.__file__).parent / "benchmarks" / "measured.csv"
SUBJECTS = {
    "start": "phenology.bench.start:bench_start",
    "example": "phenology.bench.example:bench_example",
    "sheets": "phenology.bench.sheets:bench_sheets",
    "models": "phenology.bench.models:bench_models",
    "weather": "phenology.bench.weather:bench_weather",
    "page": "phenology.bench.page:bench_page",
    "captures": "phenology.bench.scale:bench_captures",
    "scale": "phenology.bench.scale:bench_scale",
    "accelerator": "phenology.bench.accelerator:bench_accelerator",
}


def main() -> None:
    """Measure the subjects asked for, all by default, and print one table."""
    parser = argparse.ArgumentParser(prog="python -m phenology.bench", description=__doc__)
    parser.add_argument("subjects", nargs="*", metavar="SUBJECT", help=", ".join(SUBJECTS))
    parser.add_argument("--quick", action="store_true", help="fewer repetitions, smaller inputs")
    parser.add_argument("--keep", action="store_true", help=f"write them into {KEPT.name}")
    asked = parser.parse_args()
    versions = ", ".join(f"{name} {version(name)}" for name in ("jax", "numpy", "pandas"))
    where = {
        "date": f"{datetime.now(UTC):%Y-%m-%d}",
        "machine": f"{os.cpu_count()} cores, {machine_kind()}",
        "versions": f"Python {platform.python_version()}, {versions}",
    }
    rows = []
    for name in asked.subjects or SUBJECTS:
        if name not in SUBJECTS:
            parser.error(f"no subject {name!r}; choose from {', '.join(SUBJECTS)}")
        sys.stderr.write(f"{name}\n")
        module, function = SUBJECTS[name].split(":")
        measured = getattr(import_module(module), function)(asked.quick)
        rows += [{"of": name} | vars(row) | {"ratio": row.ratio} for row in measured]
    table = pd.DataFrame(rows)
    sys.stdout.write("; ".join(where.values()) + "\n")
    sys.stdout.write(table.to_string(index=False, float_format="%.3g", na_rep="") + "\n")
    if asked.keep and rows:
        _keep(table.assign(**where))


def _keep(table: pd.DataFrame) -> None:
    """Put rows in place of former ones of the same subjects."""
    former = pd.read_csv(KEPT) if KEPT.exists() else table.iloc[:0]
    others = former[~former["of"].isin(table["of"])]
    KEPT.parent.mkdir(exist_ok=True)
    kept = table if others.empty else pd.concat([others, table])
    kept.sort_values("of", kind="stable").to_csv(KEPT, index=False, float_format="%.4g")


if __name__ == "__main__":
    main()
