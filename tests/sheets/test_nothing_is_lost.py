"""Whatever a sheet holds: every row ends in one place, no traceback, no byte of input changed."""

import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_study import InventedStudy, invent_study

from phenology.errors import StudyError
from phenology.study.study import open_study

NASTY = [
    "", " ", "-", "?", "NA", "nan", "inf", "-1", "0", "9", "99", "999", "1e9", "=1+1", "4o.2",
    "3,4", "1,234", "3/4/2031", "31/2/2031", "2031-02-30", "46208", "25:00", "0.25", "１２",
    "\x00", "\x1b[0m", "x" * 500, '"', "a,b", "a\nb", "Total", "site", "RUHU", "RUFU",
    "Selasphorus sp.", "M", "new", "recap", "TEST-10001", "fork", "🐦", "true", "-0.0", "5e-324",
    "1" * 40,
]  # fmt: skip


def hashes(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.iterdir())
    }


def check_conservation(folder: Path) -> bool:
    """Open the study; whether it opened. Fails if a row is lost or a file changed."""
    earlier = hashes(folder)
    try:
        study = open_study(folder)
    except StudyError:
        return False
    finally:
        assert hashes(folder) == earlier
    for kind, counts in study.rows.items():
        assert counts["used"] + counts["set_aside"] == counts["read"], kind
        used = study.sheets[kind][["file", "tab", "row"]]
        aside = study.set_aside.loc[study.set_aside["sheet"] == kind, ["file", "tab", "row"]]
        together = pd.concat([used, aside]).astype({"row": int})
        assert len(together) == counts["read"]
        assert not together.duplicated().any()
    assert (study.set_aside["reason"].str.len() > 0).all()
    assert study.captures["species"].notna().all()
    return True


def mutate(study: InventedStudy, rng: np.random.Generator) -> None:
    """Change cells, rows and columns of the sheets at random."""
    for _ in range(int(rng.integers(1, 25))):
        name = rng.choice(["captures", "effort", "sites"], p=[0.75, 0.2, 0.05])
        table = getattr(study, name).astype(object)
        deed = rng.choice(
            ["cell", "column", "drop", "repeat", "shuffle", "blank", "rename"],
            p=[0.7, 0.05, 0.05, 0.05, 0.05, 0.05, 0.05],
        )
        row, column = int(rng.integers(len(table))), int(rng.integers(table.shape[1]))
        if deed == "cell":
            table.iloc[row, column] = rng.choice(NASTY)
        elif deed == "column":
            table.iloc[:, column] = rng.choice(NASTY)
        elif deed == "drop" and table.shape[1] > 1:
            table = table.drop(columns=table.columns[column])
        elif deed == "repeat":
            table = pd.concat([table, table.iloc[[row]]], ignore_index=True)
        elif deed == "shuffle":
            table.iloc[:, column] = rng.permutation(table.iloc[:, column].to_numpy())
        elif deed == "blank":
            table.iloc[row, :] = ""
        elif deed == "rename":
            table = table.rename(columns={table.columns[column]: str(rng.choice(NASTY))})
        setattr(study, name, table)


def mutated_study(seed: int, folder: Path) -> Path:
    rng = np.random.default_rng(seed)
    study = invent_study(int(rng.integers(1, 60)), seed % 5)
    mutate(study, rng)
    return study.write(folder)


@pytest.mark.parametrize("seed", range(25))
def test_mutated_studies_lose_nothing(tmp_path, seed):
    folder = mutated_study(seed, tmp_path / "study")
    opened = check_conservation(folder)
    assert opened or len(list(folder.iterdir())) == 4


@pytest.mark.slow
def test_two_thousand_mutated_studies_lose_nothing(tmp_path):
    opened = sum(
        check_conservation(mutated_study(seed, tmp_path / str(seed))) for seed in range(1000, 3000)
    )
    print(f"{opened} of 2000 mutated studies opened, the others ended in one message")
    assert opened > 1000


cells = st.one_of(
    st.sampled_from(NASTY),
    st.text(st.characters(exclude_categories=["Cc", "Cs"]), max_size=12),
    st.floats().map(str),
    st.dates().map(str),
)


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    rows=st.lists(st.lists(cells, min_size=0, max_size=7), min_size=0, max_size=12),
    delimiter=st.sampled_from([",", ";", "\t"]),
)
def test_any_text_below_a_heading(tmp_path_factory, rows, delimiter):
    folder = tmp_path_factory.mktemp("any") / "study"
    study = invent_study(3, 0)
    study.write(folder)
    head = ["site", "date", "species", "time", "wing_mm", "mass_g", "band"]
    lines = [head, ["fork", "2031-07-05", "RUHU", "6:15", "40.1", "3.2", "TEST-1"], *rows]
    text = "\n".join(delimiter.join(cell.replace("\n", " ") for cell in line) for line in lines)
    (folder / "captures.csv").write_text(text, encoding="utf-8", errors="replace")
    assert check_conservation(folder)


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(content=st.binary(max_size=400))
def test_any_bytes_as_a_sheet(tmp_path_factory, content):
    folder = tmp_path_factory.mktemp("any") / "study"
    invent_study(3, 0).write(folder)
    (folder / "bloom.csv").write_bytes(content)
    opened = check_conservation(folder)
    assert isinstance(opened, bool)
