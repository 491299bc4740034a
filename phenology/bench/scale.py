"""Whole runs of studies of many regions: cost as regions double, and what a second worker saves."""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from itertools import pairwise
from math import log2
from pathlib import Path

from phenology.bench.measure import Measured, ProcessUse, measure_process
from phenology.simulate.many_regions import simulate_regions

STATIONS, SEASONS = 4, 6  # of a region


def bench_scale(quick: bool) -> list[Measured]:
    """Runs of two, four and eight regions by one worker, the largest by two as well."""
    scratch = Path(tempfile.mkdtemp(prefix="site-support-bench-"))
    sizes = (2, 4) if quick else (2, 4, 8)
    try:
        for regions in sizes:
            simulate_regions(
                scratch / f"of_{regions}", regions, seed=1, sites=STATIONS, seasons=SEASONS
            )
        _run(scratch, sizes[0], jobs=1)  # leaves everything compiled
        alone = {regions: _run(scratch, regions, jobs=1) for regions in sizes}
        together = _run(scratch, sizes[-1], jobs=2)
    finally:
        shutil.rmtree(scratch)
    rows = [
        Measured(
            f"{more} regions of {STATIONS} sites × {SEASONS} seasons: exponent "
            f"{log2(alone[more].seconds / alone[fewer].seconds):.2f}",
            alone[more].seconds,
            f"{fewer} regions",
            alone[fewer].seconds,
            alone[more].peak_gb,
        )
        for fewer, more in pairwise(sizes)
    ]
    last = sizes[-1]
    told = Measured(
        f"{last} regions by two workers", together.seconds, "by one", alone[last].seconds
    )
    return [*rows, told]


def _run(scratch: Path, regions: int, jobs: int) -> ProcessUse:
    out = scratch / "out"
    shutil.rmtree(out, ignore_errors=True)
    asked = {"study": str(scratch / f"of_{regions}"), "out": str(out), "seed": None, "jobs": jobs}
    command = [sys.executable, "-m", "phenology.compute", "run", json.dumps(asked)]
    return measure_process(command, XDG_CACHE_HOME=str(scratch / "cache"))
