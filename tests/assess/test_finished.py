"""A finished run opens again as it was, and says what has changed since."""

import json
import shutil

import numpy as np
import pandas as pd
import pytest

from phenology.assess.comparison import compare_sites
from phenology.assess.draws_file import JoinedDraws, read_draws, write_draws
from phenology.assess.finished import read_run
from phenology.assess.scenario import tell_scenarios
from phenology.assess.scenario_words import parse_scenario
from phenology.errors import StudyError
from phenology.estimates import Estimates


@pytest.fixture
def study(finished, tmp_path):
    return shutil.copytree(finished, tmp_path / "study")


def test_a_run_answers_scenarios_as_when_it_was_made(finished, assessed) -> None:
    run = read_run(finished)
    assert run.changed == ()
    tables = []
    for support in (assessed[0], run.support):
        answers = Estimates()
        scenario = parse_scenario(bloom="half", monsoon="+14d", season="2033")
        tell_scenarios(support, [scenario], answers)
        compare_sites(support, answers)
        tables.append(answers.table())
    assert len(tables[0]) > 50
    pd.testing.assert_frame_equal(*tables, rtol=1e-5, atol=1e-6)


def test_tables_come_back_as_they_were(finished) -> None:
    run = read_run(finished)
    assert run.options.name == "Invented"
    assert run.options.species["Calypte anna"].role == "mixed"
    written = pd.read_csv(finished / "results" / "tables" / "estimates.csv", keep_default_na=False)
    assert list(run.estimates.columns) == list(written.columns)
    assert run.estimates["site"].tolist() == written["site"].tolist()
    assert len(run.captures) == run.summary["rows"]["captures"]["used"]
    assert set(run.site_days["site"].values) == set(run.captures["site"])


def test_what_changed_since_the_run_is_said_file_by_file(study) -> None:
    captures = study / "captures.csv"
    captures.write_text(captures.read_text().replace("3.3", "3.4"))
    (study / "sites.csv").unlink()
    (study / "effort.csv").write_text("site,date,open,close\n")
    (study / "notes.csv").write_text("no sheet of ours\n")
    assert read_run(study).changed == (
        "captures.csv was changed since the run.",
        "sites.csv was removed since the run.",
        "effort.csv was added since the run.",
    )


def test_a_shared_run_opens_without_its_study_and_private_part(study, tmp_path) -> None:
    shared = shutil.copytree(study / "results", tmp_path / "shared")
    shutil.rmtree(shared / "private")
    run = read_run(shared)
    assert run.support is not None
    assert run.changed == ()


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda study: shutil.rmtree(study / "results"), "has no finished run yet"),
        (lambda study: (study / "results" / "summary.json").write_text("{"), "cannot be read"),
        (lambda study: (study / "results" / "draws.nc").unlink(), "another version"),
        (lambda study: (study / "study.toml").unlink(), "no study folder and holds no finished"),
    ],
)
def test_a_run_that_is_absent_or_spoilt_is_told_in_words(study, spoil, message) -> None:
    spoil(study)
    with pytest.raises(StudyError, match=message):
        read_run(study)


def test_no_code_of_the_sheets_leaves_with_the_summary(finished) -> None:
    summary = json.loads((finished / "results" / "summary.json").read_text())
    assert set(summary["options"]) == {"name", "species"}
    assert "draws.nc" in summary["files"]


def test_draws_of_any_name_come_back_one_by_one(tmp_path) -> None:
    import xarray as xr

    draws = {
        name: xr.Dataset({"day": ("draw", np.arange(5) + number)}, attrs={"told": name})
        for number, name in enumerate(["season A/B spring", "été"])
    }
    write_draws(draws, tmp_path)
    stored = read_draws(tmp_path)
    assert list(stored) == list(draws)
    for name, dataset in draws.items():
        np.testing.assert_array_equal(stored[name]["day"], dataset["day"])
        assert stored[name].attrs["told"] == name
    with pytest.raises(KeyError):
        stored["season"]


def test_draws_of_regions_stay_in_their_files_and_come_back_under_their_names(tmp_path) -> None:
    import xarray as xr

    files = {}
    for number, region in enumerate(["north/west", "south"]):
        (tmp_path / str(number)).mkdir()
        write_draws({"birds": xr.Dataset({"day": ("draw", [1.5, number])})}, tmp_path / str(number))
        files[region] = tmp_path / str(number) / "draws.nc"
    joined = JoinedDraws(files)
    assert set(joined) == {"north/west: birds", "south: birds"}
    write_draws(joined, tmp_path)
    stored = read_draws(tmp_path)
    assert set(stored) == set(joined)
    assert stored["north/west: birds"]["day"].values.tolist() == [1.5, 0]
    assert stored["south: birds"]["day"].values.tolist() == [1.5, 1]
