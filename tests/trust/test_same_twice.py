"""The same sheets, seed and versions on one machine: the same tables, whoever runs them and how."""

import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from phenology.csv_text import csv_text
from phenology.sheets.told import findings_csv
from phenology.simulate import simulate_study
from phenology.study.study import open_study

# What may differ between two sessions of one user: the order of sets, threads, work at once.
SESSIONS = {
    "one thread": (
        {"PYTHONHASHSEED": "1", "NPROC": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        "1",
    ),
    "four threads": (
        {"PYTHONHASHSEED": "2", "NPROC": "4", "OMP_NUM_THREADS": "4", "OPENBLAS_NUM_THREADS": "4"},
        "2",
    ),
}
SHARED_OUT = {"XLA_FLAGS"}  # of this session, not of those


def session(name: str, *arguments: str) -> str:
    """One command in a fresh process, in a session of its own."""
    setting, jobs = SESSIONS[name]
    outer = {key: value for key, value in os.environ.items() if key not in SHARED_OUT}
    command = [sys.executable, "-m", "phenology", *arguments]
    if arguments[0] == "run":
        command += ["--jobs", jobs]
    told = subprocess.run(command, env=outer | setting, capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stderr
    return told.stdout


def test_the_same_sheets_are_checked_the_same_twice(write_study, tried):
    rows = [
        {"site": site, "date": "2031-07-20", "band": f"TEST-{number}", "species": species}
        for number, (site, species) in enumerate(
            [("fork", "RUHU"), ("frok", "RUHU"), ("frok", "BCHU"), ("fork", "RHUH"), ("x", "?")]
        )
    ]
    study = write_study(captures=rows)
    first, second = open_study(study), open_study(study)
    assert findings_csv(first.findings) == findings_csv(second.findings)
    pd.testing.assert_frame_equal(first.captures, second.captures)
    assert csv_text(first.set_aside) == csv_text(second.set_aside)
    assert first.inputs == second.inputs
    told = {session(name, "check", str(study), "--format", "csv") for name in SESSIONS}
    assert len(told) == 1
    assert "frok" in told.pop()
    tried("check", "the same sheets in two sessions", "identical findings and captures")


@pytest.mark.slow  # two whole runs
def test_two_sessions_make_identical_tables(tmp_path, tried):
    study = tmp_path / "study"
    simulate_study(study, 5, sites=1, seasons=2)
    made: dict[str, dict[str, bytes]] = {}
    for name in SESSIONS:
        out = tmp_path / name
        session(name, "run", str(study), "--out", str(out))
        made[name] = tables(out)
    one, two = made.values()
    assert len(one) > 8
    assert one.keys() == two.keys()
    assert [name for name in one if one[name] != two[name]] == []
    measured = pd.read_csv(tmp_path / "one thread" / "tables" / "estimates.csv", dtype=str)
    assert (measured["basis"] == "measured").sum() > 100  # not a study that answers nothing
    tried("run", "two sessions: hash seed, threads and jobs differ", "identical tables")


def tables(out: Path) -> dict[str, bytes]:
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.suffix in (".csv", ".parquet", ".nc")
    }
