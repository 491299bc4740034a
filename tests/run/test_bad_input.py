"""What the user can mend is one message, exit code 2, and nothing is written."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

WriteStudy = Callable[..., Path]


def _run(study: Path, out: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "phenology", "run", str(study), "--out", str(out)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def _refused(study: Path, out: Path) -> str:
    before = sorted(path for path in study.parent.rglob("*") if path.is_file())
    told = _run(study, out)
    assert told.returncode == 2, told.stderr
    assert told.stdout == ""
    assert "Traceback" not in told.stderr
    assert not out.exists()
    assert sorted(path for path in study.parent.rglob("*") if path.is_file()) == before
    message = told.stderr.splitlines()[-1]
    assert "defect" not in message
    return message


BIRD = {"site": "fork", "date": "2031-07-20", "band": "TEST-1", "species": "Selasphorus rufus"}


def test_a_folder_that_is_no_study(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    assert "is no study folder" in _refused(tmp_path / "photos", tmp_path / "out")


def test_no_captures_sheet(write_study: WriteStudy, tmp_path: Path) -> None:
    message = _refused(write_study(), tmp_path / "out")
    assert "no sheet of captures" in message
    assert "captures.csv" in message


def test_an_empty_captures_sheet(write_study: WriteStudy, tmp_path: Path) -> None:
    study = write_study(captures=[])
    assert "captures.csv" in _refused(study, tmp_path / "out")


def test_a_study_of_one_bird(write_study: WriteStudy, tmp_path: Path) -> None:
    assert "1 usable row" in _refused(write_study(captures=[BIRD]), tmp_path / "out")


def test_an_unknown_key_names_the_nearest(write_study: WriteStudy, tmp_path: Path) -> None:
    study = write_study(toml="[weathr]\nsource = 'sheet'\n", captures=[BIRD])
    assert "Did you mean 'weather'?" in _refused(study, tmp_path / "out")


def test_an_output_folder_of_the_users(write_study: WriteStudy, tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("mine")
    told = _run(write_study(captures=[BIRD]), tmp_path / "mine")
    assert told.returncode == 2
    assert "holds files that no run wrote" in told.stderr
    assert (tmp_path / "mine" / "letter.txt").read_text() == "mine"


@pytest.mark.parametrize("arguments", [["run"], ["run", "x", "--jobs", "none"], ["ran", "x"]])
def test_a_wrong_command_line(arguments: list[str]) -> None:
    command = [sys.executable, "-m", "phenology", *arguments]
    told = subprocess.run(command, capture_output=True, text=True, check=False)
    assert told.returncode == 2
    assert "--help" in told.stderr
