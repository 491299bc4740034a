"""The whole run on the shipped example, cold and warm."""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from phenology.bench.measure import Measured, measure_process

EXAMPLE = Path("data_examples") / "four_stations"


def bench_example(_quick: bool) -> list[Measured]:
    """Run the example twice: without, then with, what a first run leaves compiled."""
    scratch = Path(tempfile.mkdtemp(prefix="site-support-bench-"))
    try:
        command = [sys.executable, "-m", "phenology.compute", "run"]
        arguments = f'{{"study": "{EXAMPLE}", "out": "{scratch / "out"}", "seed": null, "jobs": 2}}'
        cold, warm = (
            measure_process([*command, arguments], XDG_CACHE_HOME=str(scratch / "cache"))
            for _ in range(2)
        )
    finally:
        shutil.rmtree(scratch)
    return [
        Measured("example run, cold", cold.seconds, peak_gib=cold.peak_gib),
        Measured("example run, warm", warm.seconds, "cold", cold.seconds, warm.peak_gib),
    ]
