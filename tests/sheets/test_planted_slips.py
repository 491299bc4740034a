"""How many planted slips are found, named and given their value; and how few are seen for none."""

import pytest
from planted_slips import recall_table

from phenology.study.study import open_study

MEASUREMENT_SLIPS = {
    "decimal shifted": 0.8,
    "inches or ounces": 0.8,
    "columns swapped": 0.8,
    "digits swapped": 0.6,
}


@pytest.fixture(scope="module")
def recall(tmp_path_factory, invent):
    return recall_table(invent(4000, 1), tmp_path_factory.mktemp("planted") / "study", seed=1)


def test_nine_tenths_of_slips_are_found(recall):
    print(recall.to_string())
    assert recall["planted"].sum() > 400
    assert (recall["found"] * recall["planted"]).sum() / recall["planted"].sum() >= 0.9


@pytest.mark.parametrize(("slip", "share"), MEASUREMENT_SLIPS.items())
def test_slips_of_measurements_are_explained_with_their_value(recall, slip, share):
    assert recall.loc[slip, "value"] >= share


def test_blocks_and_repeated_rows_are_recognised(recall):
    assert recall.loc["block shifted by a row", "named"] == 1
    assert recall.loc["row above repeated", "named"] >= 0.9


@pytest.mark.parametrize("seed", [3, 4])
def test_clean_studies_are_left_in_peace(tmp_path, invent, seed):
    study = open_study(invent(1500, seed).write(tmp_path / "study"))
    doubtful = study.findings[study.findings["severity"] != "note"]
    assert len(doubtful) <= study.rows["captures"]["read"] / 200
    assert study.rows["captures"]["set_aside"] == 0


def test_the_fattest_birds_stay_in(tmp_path, invent):
    invented = invent(800, 5)
    captures = invented.captures
    fat = captures.index[(captures["fat"] == "0") & (captures["capture"] == "new")][:12]
    heavy = (captures.loc[fat, "mass_g"].astype(float) * 1.8).round(2)
    captures.loc[fat, "mass_g"] = heavy.astype(str)
    captures.loc[fat, "fat"] = "5"
    study = open_study(invented.write(tmp_path / "study"))
    kept = study.captures.loc[study.captures["row"].isin(fat + 2), "mass_g"]
    assert len(kept) == 12
    assert sorted(kept) == sorted(heavy)
    of_them = study.findings[
        study.findings["row"].isin(fat + 2) & (study.findings["column"] == "mass_g")
    ]
    assert set(of_them["severity"]) <= {"doubtful", "note"}


@pytest.mark.slow
def test_recall_over_many_studies(tmp_path, invent):
    """Ten studies of 4,000 birds, 427 slips each; the table printed says which kinds are weak."""
    tables = [
        recall_table(invent(4000, seed), tmp_path / f"study{seed}", seed) for seed in range(10, 20)
    ]
    mean = sum(tables) / len(tables)
    print(mean.round(3).sort_values("found").to_string())
    weak = mean.index[mean["found"] < 0.9].tolist()
    print("found less often than nine times in ten:", ", ".join(weak) or "none")
    found = (mean["found"] * mean["planted"]).sum() / mean["planted"].sum()
    assert found >= 0.9
    for slip, share in MEASUREMENT_SLIPS.items():
        assert mean.loc[slip, "value"] >= share
