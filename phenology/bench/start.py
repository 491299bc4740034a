"""How long starting takes, against an empty interpreter and the import of pandas."""

from __future__ import annotations

import sys
from statistics import median

from phenology.bench.measure import Measured, measure_process, measure_python


def bench_start(quick: bool) -> list[Measured]:
    """Import of the package and the command's help."""
    times = 3 if quick else 9
    subjects = {
        "import phenology": [sys.executable, "-c", "import phenology"],
        "site-support --help": [sys.executable, "-m", "phenology", "--help"],
        "site-support run --help": [sys.executable, "-m", "phenology", "run", "--help"],
    }
    taken: dict[str, list[float]] = {name: [] for name in (*subjects, "pass", "import pandas")}
    for _ in range(times):
        for name in ("pass", "import pandas"):
            taken[name].append(measure_python(name).seconds)
        for name, command in subjects.items():
            taken[name].append(measure_process(command).seconds)
    seconds = {name: median(values) for name, values in taken.items()}
    return [
        Measured(name, seconds[name], f"python -c {against!r}", seconds[against])
        for name in subjects
        for against in ("pass", "import pandas")
    ]
