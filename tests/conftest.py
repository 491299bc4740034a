"""Shared by all tests."""

import csv
import os
import pickle
import shutil
from collections.abc import Callable, Generator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock

WriteStudy = Callable[..., Path]
MadeOnce = Callable[[str, Callable[[], Any]], Any]


def pytest_configure(config: pytest.Config) -> None:
    """Models compiled once serve all tests and the processes they start, computing as runs do."""
    from phenology.compute import ONE_THREAD

    os.environ.update(ONE_THREAD)
    assert config.cache is not None
    os.environ.setdefault("JAX_COMPILATION_CACHE_DIR", str(config.cache.mkdir("compiled")))
    os.environ.setdefault("JAX_PERSISTENT_CACHE_MIN_COMPILE_TIME_SECS", "0.3")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Browser tests need Debian's Chromium: skipped without it, but never in CI."""
    if shutil.which("chromium") or os.environ.get("CI"):
        return
    missing = pytest.mark.skip(reason="no chromium on this machine: apt-get install chromium")
    for item in items:
        if item.get_closest_marker("browser"):
            item.add_marker(missing)


Report = pytest.TestReport | pytest.CollectReport


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, Report, Report]:
    """No test is skipped silently in CI: there a skip is a failure that says what was missing."""
    return _never_skipped_in_ci((yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, Report, Report]:
    """Nor is a whole file of tests."""
    return _never_skipped_in_ci((yield))


def _never_skipped_in_ci(report: Report) -> Report:
    if os.environ.get("CI") and report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"skipped in CI: {reason}"
    return report


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> MadeOnce:
    """Make what several files of tests start from, once for all processes of a session."""

    def make(name: str, maker: Callable[[], Any]) -> Any:
        if "PYTEST_XDIST_WORKER" not in os.environ:
            return maker()
        kept = tmp_path_factory.getbasetemp().parent / f"{name}.pickle"  # the session's, not ours
        with FileLock(f"{kept}.lock"):
            if not kept.exists():
                kept.write_bytes(pickle.dumps(maker()))
            return pickle.loads(kept.read_bytes())

    return make


@pytest.fixture(scope="session")
def write_study_at() -> WriteStudy:
    """Write an invented study from rows of text; one station unless sites are given."""

    def write(folder: Path, *, toml: str = "", **sheets: Sequence[dict[str, object]]) -> Path:
        folder.mkdir()
        head = 'name = "Invented station"\n'
        species = '[species]\n"Selasphorus rufus" = "passage"\n"Archilochus alexandri" = "local"\n'
        (folder / "study.toml").write_text(head + toml + species)
        station = {"site": "fork", "latitude": 30.1, "longitude": -108.2, "elevation_m": 2100}
        given: dict[str, Sequence[dict[str, object]]] = {"sites": [station], **sheets}
        for name, rows in given.items():
            with (folder / f"{name}.csv").open("w", newline="") as file:
                columns = dict.fromkeys(column for row in rows for column in row)
                writer = csv.DictWriter(file, list(columns) or ["site"])
                writer.writeheader()
                writer.writerows(rows)
        return folder

    return write


@pytest.fixture
def write_study(tmp_path: Path, write_study_at: WriteStudy) -> WriteStudy:
    """As `write_study_at`, into a folder of this test's own."""
    return partial(write_study_at, tmp_path / "study")
