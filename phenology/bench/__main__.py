"""``python -m phenology.bench [--quick] [SUBJECT ...]``, from a checkout."""

from __future__ import annotations

import argparse
import os
import platform
import sys
from datetime import UTC, datetime
from importlib import import_module
from importlib.metadata import version

import pandas as pd

SUBJECTS = {
    "start": "phenology.bench.start:bench_start",
    "example": "phenology.bench.example:bench_example",
    "sheets": "phenology.bench.sheets:bench_sheets",
    "models": "phenology.bench.models:bench_models",
    "weather": "phenology.bench.weather:bench_weather",
    "page": "phenology.bench.page:bench_page",
    "scale": "phenology.bench.scale:bench_scale",
}


def main() -> None:
    """Measure the subjects asked for, all by default, and print one table."""
    parser = argparse.ArgumentParser(prog="python -m phenology.bench", description=__doc__)
    parser.add_argument("subjects", nargs="*", metavar="SUBJECT", help=", ".join(SUBJECTS))
    parser.add_argument("--quick", action="store_true", help="fewer repetitions, smaller inputs")
    asked = parser.parse_args()
    rows = []
    for name in asked.subjects or SUBJECTS:
        if name not in SUBJECTS:
            parser.error(f"no subject {name!r}; choose from {', '.join(SUBJECTS)}")
        sys.stderr.write(f"{name}\n")
        module, function = SUBJECTS[name].split(":")
        measured = getattr(import_module(module), function)(asked.quick)
        rows += [vars(row) | {"ratio": row.ratio} for row in measured]
    versions = ", ".join(f"{name} {version(name)}" for name in ("jax", "numpy", "pandas"))
    sys.stdout.write(
        f"{datetime.now(UTC):%Y-%m-%d}; {os.cpu_count()} cores, {platform.machine()}; "
        f"Python {platform.python_version()}, {versions}\n"
    )
    table = pd.DataFrame(rows)
    sys.stdout.write(table.to_string(index=False, float_format="%.3g", na_rep="") + "\n")


if __name__ == "__main__":
    main()
