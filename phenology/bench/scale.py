"""Whole runs of many regions: cost as regions double, what a second worker saves; many captures."""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from itertools import pairwise
from math import log2
from pathlib import Path

import numpy as np

from phenology.bench.measure import Measured, ProcessUse, measure_process, measure_python
from phenology.bench.sheets import STUDY_TOML, invent_captures
from phenology.simulate.many_regions import simulate_regions

STATIONS, SEASONS = 4, 6  # of a region
MANY_SITES, MILLIONS = 200, 10

_READ_TO_SUMMARY = """
from pathlib import Path
from phenology.groups import assign_groups
from phenology.sitedays import join_site_days
from phenology.study.study import open_study

study = open_study(Path({folder!r}))
groups = assign_groups(study.captures, ("age", "sex"), seed=1)["group"]
join_site_days(study, groups, seed=1)
study.captures.groupby(["site", "species"])["mass_g"].describe()
"""


def bench_scale(quick: bool) -> list[Measured]:
    """Runs of two, four and eight regions by one worker, the largest by two."""
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
            alone[more].peak_gib,
        )
        for fewer, more in pairwise(sizes)
    ]
    last = sizes[-1]
    told = Measured(
        f"{last} regions by two workers", together.seconds, "by one", alone[last].seconds
    )
    return [*rows, told]


def bench_captures(quick: bool) -> list[Measured]:
    """Read, check, join and summarise captures of many sites, in a process of its own."""
    millions = 1 if quick else MILLIONS
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home)
        (folder / "study.toml").write_text(STUDY_TOML, encoding="utf-8")
        sites = [f"site {number:03d}" for number in range(MANY_SITES)]
        places = [f"{site},{30 + 0.05 * n:.2f},-109.0" for n, site in enumerate(sites)]
        lines = "\n".join(["site,latitude,longitude", *places, ""])
        (folder / "sites.csv").write_text(lines, encoding="utf-8")
        for million in range(millions):
            captures = invent_captures(1_000_000, seed=million)
            captures["site"] = np.random.default_rng(million).choice(sites, len(captures))
            captures["band"] = f"TEST-{million}" + captures["band"].str[5:]
            captures.to_csv(folder / "captures.csv", mode="a", index=False, header=not million)
        use = measure_python(_READ_TO_SUMMARY.format(folder=str(folder)))
    name = f"{millions},000,000 captures of {MANY_SITES} sites read, checked, joined, summarised"
    return [Measured(name, use.seconds, peak_gib=use.peak_gib)]


def _run(scratch: Path, regions: int, jobs: int) -> ProcessUse:
    out = scratch / "out"
    shutil.rmtree(out, ignore_errors=True)
    asked = {"study": str(scratch / f"of_{regions}"), "out": str(out), "seed": None, "jobs": jobs}
    command = [sys.executable, "-m", "phenology.compute", "run", json.dumps(asked)]
    used = measure_process(command, XDG_CACHE_HOME=str(scratch / "cache"))
    if not (out / "report.html").exists():  # a run that stops says why and ends orderly
        raise RuntimeError(f"the run of {regions} regions left no report")
    return used
