"""Whatever a file holds: it is read or refused in words, soon, and in little memory."""

import csv
import io
import os
import re
import resource
import signal
import subprocess
import sys
import zipfile
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from parsers import CAPTURES, SITES, STUDY, attempt, mutated, parsers

from phenology.csv_text import csv_text
from phenology.errors import StudyError
from phenology.sheets.told import findings_csv, findings_html
from phenology.study.options import parse_options, read_options
from phenology.study.study import open_study

PARSERS = {parser.name: parser for parser in parsers()}
IN_A_CHILD = {"effort.xlsx", "effort_2.xlsx"}  # a process each: fewer in CI
LONGEST_S = 60  # for one input; generous, for a loaded machine
MORE_MEMORY_KB = 600_000


@pytest.fixture
def no_hang():
    def late(*_: object) -> None:
        raise TimeoutError("an input took too long")

    former = signal.signal(signal.SIGALRM, late)
    yield lambda: signal.alarm(LONGEST_S)
    signal.alarm(0)
    signal.signal(signal.SIGALRM, former)


def fuzz(name, inputs, seed, folder, no_hang, tried):
    parser = PARSERS[name]
    assert attempt(parser, parser.good, folder) == "read"
    rng = np.random.default_rng(seed)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for _ in range(inputs):
        no_hang()
        tried(
            f"reading {name}", "mutated bytes", attempt(parser, mutated(parser.good, rng), folder)
        )
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < MORE_MEMORY_KB


@pytest.mark.parametrize("name", PARSERS)
def test_mutated_files(tmp_path, no_hang, tried, name):
    fuzz(name, 3 if name in IN_A_CHILD else 30, 1, tmp_path, no_hang, tried)


@pytest.mark.slow
@pytest.mark.parametrize("name", PARSERS)
def test_many_mutated_files(tmp_path, no_hang, tried, name):
    fuzz(name, 60 if name in IN_A_CHILD else 1000, 2, tmp_path, no_hang, tried)


def other_encoding(archive: bytes) -> bytes:
    """Claim UTF-8 for the first name in an archive's directory, and damage that name."""
    flag, name = 8, 46  # APPNOTE.TXT 6.3.10, 4.3.12: places in an entry of the central directory
    at = archive.index(b"PK\x01\x02")
    head = archive[: at + flag] + b"\x00\x08" + archive[at + flag + 2 : at + name]
    return head + b"\x93" + archive[at + name + 1 :]


def without_tabs(book: bytes) -> bytes:
    """Leave a workbook's list of tabs empty."""
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as good, zipfile.ZipFile(made, "w") as empty:
        for name in good.namelist():
            empty.writestr(name, re.sub(rb"<sheets>.*</sheets>", b"<sheets/>", good.read(name)))
    return made.getvalue()


@pytest.mark.parametrize(
    ("name", "damage", "what"),
    [
        ("stations.db", lambda good: good.replace(b"America", b"\x93merica"), "refused"),
        ("stations.db", lambda good: good.replace(b"country TEXT", b"COUNTRY TEXT"), "read"),
        ("effort.xlsx", other_encoding, "refused"),
        ("effort.xlsx", without_tabs, "refused"),
    ],
)
def test_damage_that_once_passed(tmp_path, name, damage, what):
    """Found by coverage-guided bytes."""
    parser = PARSERS[name]
    damaged = damage(parser.good)
    assert damaged != parser.good
    assert attempt(parser, damaged, tmp_path) == what


@pytest.mark.slow
@pytest.mark.parametrize("name", PARSERS)
def test_coverage_guided(tmp_path, tried, name):
    seconds = 60
    script = Path(__file__).with_name("fuzz.py")
    told = subprocess.run(
        [sys.executable, str(script), name, str(seconds)],
        env=os.environ | {"TMPDIR": str(tmp_path)},
        capture_output=True, text=True, check=False, timeout=seconds * 3,
    )  # fmt: skip
    assert told.returncode == 0, told.stdout[-2000:] + told.stderr[-4000:]
    tried(f"reading {name}", f"coverage-guided bytes, {seconds} s", "read or refused in words")


values = st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.dates()
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)
TABLES = (
    "season", "species", "groups", "fat", "onward", "weather", "sharing", "run", "dates",
    "limits", "columns", "codes", "measurements", "name",
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(declared=st.dictionaries(st.sampled_from(TABLES), values, max_size=5))
def test_any_declaration_in_study_toml(declared):
    base = {"name": "x", "species": {"Selasphorus rufus": "passage"}}
    with suppress(StudyError):
        assert parse_options(base | declared).species


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(text=st.text(max_size=200))
def test_any_text_as_study_toml(tmp_path, text):
    path = tmp_path / "study.toml"
    path.write_text(text, encoding="utf-8", errors="replace")
    with pytest.raises(StudyError):
        read_options(path)


@pytest.mark.parametrize("outside", ["../outside.csv", "/etc/passwd", "file:///etc/passwd"])
def test_study_toml_names_no_file(tmp_path, tried, outside):
    """Whatever key is given a path: it is unknown, of the wrong kind, or only text."""
    (tmp_path / "outside.csv").write_bytes(CAPTURES)
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "sites.csv").write_bytes(SITES)
    (folder / "captures.csv").write_bytes(CAPTURES)
    head = STUDY.decode().split("[season]")[0]
    species = '[species]\n"Selasphorus rufus" = "passage"\n"Archilochus alexandri" = "local"\n'
    read = set()
    opened: list[str] = []
    listening = [True]

    def note(event: str, arguments: tuple[object, ...]) -> None:
        if listening and event == "open" and isinstance(arguments[0], str):
            opened.append(arguments[0])

    sys.addaudithook(note)
    for table in TABLES:
        for key in ("file", "path", "captures", "source", "scale", "heading", "by", "wing_mm"):
            extra = f'[{table}]\n{key} = "{outside}"\n' if table not in ("species", "name") else ""
            (folder / "study.toml").write_text(head + extra + species)
            try:
                read |= set(open_study(folder).inputs)
            except StudyError:
                continue
    listening.clear()
    assert read == {"study.toml", "sites.csv", "captures.csv"}
    assert not [path for path in opened if path.endswith(("outside.csv", "passwd"))]
    tried("study.toml", "a path outside the study", "no file opened")


def test_nothing_in_a_sheet_is_executed_marked_up_or_used_as_a_path(tmp_path, tried):
    nasty = ["=HYPERLINK(1)", "<img src=x onerror=alert(1)>", "../../../tmp/owned", "{{7*7}}",
             "$(touch owned)", "`touch owned`", "\x1b]0;owned\x07", "%s%n", "@SUM(1)"]  # fmt: skip
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "study.toml").write_bytes(STUDY)
    (folder / "sites.csv").write_bytes(SITES)
    head, *rows = CAPTURES.decode().splitlines()
    width = len(head.split(","))
    made = [",".join([f'"{text}"'] * width) for text in nasty]
    good = rows[0].split(",")
    mixed = [
        ",".join([*good[:place], f'"{text}"', *good[place + 1 :]])
        for text in nasty
        for place in range(width)
    ]
    (folder / "captures.csv").write_text("\n".join([head, *rows, *made, *mixed]) + "\n")
    before = sorted(path for path in tmp_path.rglob("*"))
    study = open_study(folder)
    assert study.rows["captures"]["read"] == len(rows) + len(made) + len(mixed)
    page = findings_html(study.findings, "<b>")
    assert "<img" not in page
    assert "<b>" not in page
    written = findings_csv(study.findings) + csv_text(study.set_aside)
    assert "\x1b" not in written
    cells = [cell for row in csv.reader(written.splitlines()) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "@"))]
    assert {"'=HYPERLINK(1)", "'@SUM(1)"} <= set(cells)
    assert sorted(path for path in tmp_path.rglob("*")) == before
    assert not Path("owned").exists()
    tried("sheets", "formulas, markup, commands, paths", "inert text")
