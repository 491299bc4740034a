"""A run from the page: one at a time, stopped or broken off without harm."""

import json
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from phenology.page.job import JobState, RunJob

WriteStudy = Callable[..., Path]
BIRD = {"site": "fork", "date": "2031-07-10", "species": "Selasphorus rufus", "mass_g": "3.3"}


@pytest.fixture
def study(write_study: WriteStudy) -> Path:
    """A study with former results."""
    folder = write_study(captures=[BIRD] * 2)
    (folder / "results").mkdir()
    (folder / "results" / "report.html").write_text("the former report")
    (folder / "results" / "summary.json").write_text(json.dumps({"files": ["report.html"]}))
    return folder


def _ended(job: RunJob) -> JobState:
    until = time.monotonic() + 300
    while job.state.state == "running":
        assert time.monotonic() < until
        time.sleep(0.05)
    return job.state


def test_a_second_run_does_not_start_and_a_stopped_one_leaves_former_results(study: Path) -> None:
    job = RunJob(study)
    assert job.state.state == "idle"
    assert job.start()
    assert not job.start()
    job.stop()
    ended = _ended(job)
    assert (ended.state, ended.told) == ("stopped", ("Stopped. Former results are as they were.",))
    assert (study / "results" / "report.html").read_text() == "the former report"
    assert job.start()  # it can be started again
    job.stop()
    assert _ended(job).state == "stopped"


def test_a_run_that_dies_is_told_and_leaves_former_results(study: Path) -> None:
    job = RunJob(study)
    job.start()
    os.kill(job._computation._child.pid, signal.SIGSEGV)
    ended = _ended(job)
    assert ended.state == "failed"
    assert "our defect" in ended.told[0]
    log = Path(ended.remedy.removeprefix("Please send ").removesuffix("."))
    assert "signal 11" in log.read_text()
    log.unlink()
    assert (study / "results" / "report.html").read_text() == "the former report"
    assert sorted(path.name for path in study.iterdir()) == [
        "captures.csv",
        "results",
        "sites.csv",
        "study.toml",
    ]


def test_what_the_user_can_mend_is_told_in_words(study: Path) -> None:
    job = RunJob(study)
    job.start()
    ended = _ended(job)
    assert ended.state == "failed"
    assert "nothing can be told from so few" in ended.told[0]
    assert "Traceback" not in " ".join(ended.told) + ended.remedy
