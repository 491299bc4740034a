"""Output is whole or not at all."""

import json
from pathlib import Path

import pytest
from filelock import FileLock

from phenology.errors import StudyError
from phenology.publish import publish


def _write(folder: Path, text: str) -> None:
    (folder / "report.html").write_text(text)
    (folder / "summary.json").write_text(json.dumps({"files": ["report.html", "summary.json"]}))


def _content(folder: Path) -> dict[str, str]:
    return {
        path.name: path.read_text()
        for path in folder.parent.rglob("*")
        if path.is_file() and path.suffix != ".lock"
    }


def test_a_first_output_appears_whole(tmp_path: Path) -> None:
    with publish(tmp_path / "deep" / "out") as build:
        _write(build, "first")
        assert not (tmp_path / "deep" / "out").exists()
    assert (tmp_path / "deep" / "out" / "report.html").read_text() == "first"


def test_a_failure_leaves_the_former_output_and_nothing_else(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with publish(out) as build:
        _write(build, "first")
    before = _content(out)

    def fail() -> None:
        with publish(out) as build:
            _write(build, "second")
            raise ValueError("midway")

    with pytest.raises(ValueError, match="midway"):
        fail()
    assert _content(out) == before


def test_a_second_output_replaces_the_first_and_keeps_the_users_files(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with publish(out) as build:
        _write(build, "first")
        (build / "old.csv").write_text("gone")
        files = ["report.html", "summary.json", "old.csv"]
        (build / "summary.json").write_text(json.dumps({"files": files}))
    (out / "my notes.txt").write_text("mine")
    with publish(out) as build:
        _write(build, "second")
    assert (out / "report.html").read_text() == "second"
    assert (out / "my notes.txt").read_text() == "mine"
    assert not (out / "old.csv").exists()


def test_a_folder_of_the_users_is_never_replaced(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "bird.txt").write_text("mine")
    with (
        pytest.raises(StudyError, match="holds files that no run wrote"),
        publish(tmp_path / "photos"),
    ):
        pass
    assert (tmp_path / "photos" / "bird.txt").read_text() == "mine"


def test_two_runs_into_one_folder_do_not_meet(tmp_path: Path) -> None:
    with (
        FileLock(tmp_path / ".out.lock"),
        pytest.raises(StudyError, match="Another run is writing"),
        publish(tmp_path / "out"),
    ):
        pass


def test_a_killed_run_is_tidied_by_the_next(tmp_path: Path) -> None:
    out = tmp_path / "out"
    half = tmp_path / ".out-building-abc"
    half.mkdir()
    aside = tmp_path / ".out-former"
    aside.mkdir()
    _write(aside, "former")

    def fail() -> None:
        with publish(out):
            raise ValueError("again")

    with pytest.raises(ValueError, match="again"):
        fail()
    assert (out / "report.html").read_text() == "former"
    assert not half.exists()


def test_a_file_in_the_way_is_said(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(StudyError, match="is a file, not a folder"), publish(tmp_path / "out"):
        pass
