"""The shipped example is what its seed makes, and carries the mistakes its list names."""

import csv
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenology.assess.landscape import assess_landscape
from phenology.errors import StudyError
from phenology.models.simulated_season import simulate
from phenology.models.simulated_season_world import make_world
from phenology.seasons import Window
from phenology.sheets.contract import sheet_contracts
from phenology.simulate import simulate_study, simulate_task
from phenology.simulate.four_stations import write_example
from phenology.simulate.mistakes import MISTAKES, plant_mistakes
from phenology.simulate.options import checked_world
from phenology.simulate.truth_table import truth_table
from phenology.simulate.write import written_sheets
from phenology.study.options import read_options
from phenology.study.study import open_study

EXAMPLE = Path(__file__).parent.parent / "data_examples" / "four_stations"
LARGEST_BYTES = 3_300_000


def _files(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.fixture(scope="module")
def shipped() -> dict[str, pd.DataFrame]:
    return {
        path.stem: pd.read_csv(path, dtype=str, keep_default_na=False)
        for path in (*EXAMPLE.glob("*.csv"), EXAMPLE / "truth" / "planted_mistakes.csv")
    }


def test_the_shipped_example_equals_what_its_seed_makes(tmp_path: Path) -> None:
    write_example(tmp_path)
    made, kept = _files(tmp_path), _files(EXAMPLE)
    del kept["README.md"]
    assert sorted(made) == sorted(kept)
    differing = [name for name in made if made[name] != kept[name]]
    assert differing == []


def test_the_example_is_small_and_says_that_it_is_invented() -> None:
    assert sum(len(content) for content in _files(EXAMPLE).values()) < LARGEST_BYTES
    words = (EXAMPLE / "README.md").read_text(encoding="utf-8")
    assert "invented" in words
    assert "CC0" in words
    assert "nvented" in read_options(EXAMPLE / "study.toml").name


def test_its_columns_are_those_of_the_contract() -> None:
    for path in EXAMPLE.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            headings = next(csv.reader(file))
        assert set(headings) <= set(sheet_contracts()[path.stem].columns), path.name


def test_its_story_is_in_the_sheets(shipped: dict[str, pd.DataFrame]) -> None:
    captures, effort = shipped["captures"], shipped["effort"]
    assert 4000 <= len(captures) <= 6000
    assert not effort["date"].str.startswith("2035").any()
    assert set(effort.loc[effort["date"].str.startswith("2039"), "site"]) == {"sallow", "weir"}
    days = effort.groupby(["site", effort["date"].str[:4]])["date"].nunique()
    assert (days.loc["kettle"] > 40).all()
    assert days.loc["lantern"].between(20, 26).all()
    assert (days.loc[["sallow", "weir"]] == 1).all()
    assert set(effort.loc[effort["method"] == "net", "baited"]) == {"no"}
    assert captures["band"].str.fullmatch(r"(TEST-\d{5})?").all()
    assert set(shipped["counts"]["site"]) == {"kettle"}
    roles = read_options(EXAMPLE / "study.toml").species
    assert sorted(each.role for each in roles.values()) == [
        "local",
        "local",
        "mixed",
        "passage",
        "passage",
    ]
    spans = shipped["feeders"]
    assert spans.groupby("site").size().between(2, 14).all()


def test_every_kind_of_mistake_is_planted_and_listed(shipped: dict[str, pd.DataFrame]) -> None:
    planted = shipped["planted_mistakes"]
    assert set(planted["kind"]) == set(MISTAKES)
    assert planted["event"].nunique() == 40
    for _, slip in planted.iterrows():
        sheet = shipped[slip["sheet"]]
        place = int(slip["row"]) - 2
        if slip["column"]:
            assert sheet.loc[place, slip["column"]] == slip["new"]
            assert slip["new"] != slip["old"]
        else:
            assert place < len(sheet)


def test_the_reader_opens_the_example_and_loses_no_row() -> None:
    study = open_study(EXAMPLE)
    for rows in study.rows.values():
        assert rows["used"] + rows["set_aside"] == rows["read"]
    assert study.rows["captures"]["set_aside"] <= 10
    assert not study.findings["file"].str.startswith("truth").any()


def test_planting_leaves_the_clean_sheets_alone_and_is_seeded() -> None:
    clean = written_sheets(simulate(make_world(3, 3), 7))
    before = {name: sheet.copy() for name, sheet in clean.items()}
    dirty, planted = plant_mistakes(clean, np.random.default_rng(1), n=2)
    again, _ = plant_mistakes(clean, np.random.default_rng(1), n=2)
    for name, sheet in clean.items():
        pd.testing.assert_frame_equal(sheet, before[name])
        pd.testing.assert_frame_equal(dirty[name], again[name])
    changed = dirty["captures"].iloc[: len(clean["captures"])].ne(clean["captures"]).sum().sum()
    told = planted[(planted["sheet"] == "captures") & (planted["column"] != "")]
    assert changed == (told["old"] != told["new"]).sum()
    assert planted.groupby("kind")["event"].nunique().eq(2).all()
    rows = planted[["sheet", "row", "column"]]
    assert not rows.duplicated().any()


def test_an_unknown_mistake_is_refused() -> None:
    with pytest.raises(ValueError, match="no such kinds"):
        plant_mistakes({}, np.random.default_rng(1), ["typo"])


def test_a_simulated_study_is_whole_and_replaces_its_former_self(tmp_path: Path) -> None:
    folder = tmp_path / "study"
    told = simulate_task(
        lambda what, share: None,
        seed=1,
        out=str(folder),
        sites=1,
        seasons=1,
        feeders="never_varying",
    )
    first = _files(folder)
    assert str(folder) in told["told"][0]
    assert tomllib.loads(first["study.toml"].decode())["weather"]["source"] == "sheet"
    assert "truth/presence.csv" in first
    simulate_study(folder, 2, sites=1, seasons=1, feeders="never_varying")
    second = _files(folder)
    assert first.keys() == second.keys()
    assert first["captures.csv"] != second["captures.csv"]


def test_a_folder_of_something_else_is_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(StudyError, match="holds files"):
        simulate_study(tmp_path, 1, sites=1, seasons=1)
    assert _files(tmp_path) == {"letter.txt": b"mine"}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"feeder": "none"}, "Did you mean 'feeders'"),
        ({"feeders": "sometimes"}, "by_chance"),
        ({"stations": ()}, "no option"),
    ],
)
def test_a_wrong_option_is_named(options: dict[str, object], words: str) -> None:
    with pytest.raises(StudyError, match=words):
        checked_world(2, 2, options)


@pytest.mark.parametrize(("sites", "seasons"), [(0, 1), (1, 0), (101, 1), (1, 61)])
def test_an_impossible_size_is_refused(sites: int, seasons: int) -> None:
    with pytest.raises(StudyError, match="not possible"):
        checked_world(sites, seasons, {})


def test_the_truth_table_counts_the_intervals_that_hold_the_truth(tmp_path: Path) -> None:
    timing = pd.read_csv(EXAMPLE / "truth" / "timing.csv", dtype={"season": str})
    held = timing.dropna(subset="peak_day").head(4)
    told = held[["site", "season", "group", "role"]].assign(
        quantity="peak_day", definition="", scenario="", basis="measured"
    )
    aside = np.array([0.0, 2.0, 4.0, 40.0])
    told["estimate"] = held["peak_day"].to_numpy() + aside
    told["low"], told["high"] = told["estimate"] - 3, told["estimate"] + 3
    birds = pd.DataFrame({"row": [2, 3]})
    for name in ("lean_mass_g", "fuel_load"):
        birds[name], birds[f"{name}_low"], birds[f"{name}_high"] = 1.0, 0.0, 5.0
    (tmp_path / "tables").mkdir()
    told.to_csv(tmp_path / "tables" / "estimates.csv", index=False)
    birds.to_parquet(tmp_path / "captures.parquet")
    table = truth_table(tmp_path, EXAMPLE).set_index(["quantity", "basis"])
    assert table.loc[("peak_day", "measured"), "inside"] == 0.5
    assert table.loc[("all", "answers"), "values"] == 4
    assert table.loc[("all", "single birds"), "inside"] == 1.0


def test_its_ground_can_be_measured_and_a_part_of_it_burned() -> None:
    study = open_study(EXAMPLE)
    assert not study.findings["column"].eq("geometry").any()
    measured = assess_landscape(study, pd.Series(["2034", "2042"]), (Window("", 182, 243),))
    near = measured.set_index(["site", "season", "measure", "kind", "radius_m"])["value"]
    meadow_m2 = [near["kettle", "2042", "patch_area", "wet meadow", m] for m in (250, 1000, 5000)]
    assert meadow_m2 == sorted(meadow_m2)
    assert meadow_m2[0] > 0
    for site in ("kettle", "lantern"):
        assert near[site, "2034", "burned_share", "fire", 5000] == 0
        assert 0.02 < near[site, "2042", "burned_share", "fire", 5000] < 0.06
        # Burned 9 June 2036, the middle of the window is 31 July
        assert near[site, "2042", "years_since_fire", "fire", 5000] == pytest.approx(6.14, abs=0.01)
        water = measured[(measured["measure"] == "distance_to_water") & (measured["site"] == site)]
        assert water["value"].between(100, 5000).all()
    ground = measured[(measured["season"] == "2042") & (measured["measure"] == "patch_area")]
    mapped = ground[ground["radius_m"] == 5000].groupby("site")["value"].sum()
    assert mapped.to_numpy() == pytest.approx(np.pi * 5000**2, rel=0.01)  # all of it, once
