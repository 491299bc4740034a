"""`scenario` and `compare` read a finished run, say what they cannot tell, and end in words."""

import json
import re
import shutil

import pandas as pd
import pytest
from typer.testing import CliRunner

from phenology.cli import app
from phenology.errors import StudyError
from phenology.report.scenario_told import scenario_sentences

HALF_BESIDE_NONE = ("--bloom", "half", "--beside", "feeders none", "--season", "2033")


def _call(*arguments: object) -> str:
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.stdout


def _shared(finished, folder, **options):
    """The finished run by itself, as another study would have shared it."""
    shutil.copytree(finished / "results", folder)
    path = folder / "summary.json"
    summary = json.loads(path.read_text())
    summary["options"] |= {"name": folder.name} | options
    path.write_text(json.dumps(summary))
    return folder


def test_scenarios_stand_side_by_side_with_what_they_change(finished) -> None:
    told = _call("scenario", finished, *HALF_BESIDE_NONE)
    heads = told.splitlines()[0]
    assert heads.index("as it was") < heads.index("bloom half") < heads.index("feeders none")
    assert "Local birds, bloom half: mass for size would be lower by" in told
    assert "Passage birds, feeders none: mass for size would be lower by" in told
    assert "Bloom half: no difference can be shown in fuel at first capture" in told
    assert "description" in told


def test_scenarios_come_as_rows_and_as_a_page(finished) -> None:
    rows = json.loads(_call("scenario", finished, *HALF_BESIDE_NONE, "--format", "json"))
    assert {row["scenario"] for row in rows} == {"as it was", "bloom half", "feeders none"}
    csv = _call("scenario", finished, *HALF_BESIDE_NONE, "--format", "csv")
    assert len(csv.splitlines()) == len(rows) + 1
    page = _call("scenario", finished, *HALF_BESIDE_NONE, "--format", "html")
    assert 'id="figure-scenarios"' in page
    assert "Local birds, bloom half: mass for size" in page


def test_what_was_never_seen_is_starred_and_said(finished) -> None:
    told = _call("scenario", finished, "--monsoon", "+60d")
    assert "* lies beyond anything seen in the data" in told
    assert "the onset of the monsoon: never seen so at the site" in told


def test_a_monsoon_moved_alone_is_parted_into_flowers_and_the_rest(finished) -> None:
    rows = pd.DataFrame(
        json.loads(_call("scenario", finished, "--monsoon", "+7d", "--format", "json"))
    )
    of_one = rows.query("quantity == 'lean_condition' and role == 'passage'")
    change = of_one.set_index("definition")["estimate"]
    parts = change["change, through flowers"] + change["change, not through flowers"]
    assert change["change"] == pytest.approx(parts, abs=0.004)
    with_bloom = json.loads(
        _call("scenario", finished, "--monsoon", "+7d", "--bloom", "normal", "--format", "json")
    )
    assert "change, through flowers" not in {row["definition"] for row in with_bloom}


def test_changed_sheets_are_told_before_the_answers(finished, tmp_path) -> None:
    study = shutil.copytree(finished, tmp_path / "study")
    (study / "captures.csv").write_text((study / "captures.csv").read_text() + "\n")
    result = CliRunner().invoke(app, ["scenario", str(study), "--bloom", "half"])
    assert "captures.csv was changed since the run." in result.stderr
    assert "run it again" in result.stderr
    assert "changed since" not in result.stdout


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((), "changes nothing"),
        (("--beside", "bloom half, bloom normal"), "each once"),
        (("--beside", "rain more"), "is not a scenario"),
        (("--bloom", "half", "--season", "1999"), "Seasons with birds"),
        (("--bloom", "half", "--site", "nowhere"), "No bird was caught in nowhere"),
    ],
)
def test_scenarios_that_make_no_sense_are_answered_in_words(finished, arguments, message) -> None:
    with pytest.raises(StudyError, match=message):
        _call("scenario", finished, *arguments)


def test_a_study_without_a_run_is_told_to_run(finished, tmp_path) -> None:
    study = shutil.copytree(finished, tmp_path / "study", ignore=lambda *_: ["results"])
    for command in (("scenario", study, "--bloom", "half"), ("compare", study)):
        with pytest.raises(StudyError, match=r"no finished run yet\..*site-support run"):
            _call(*command)


def test_sites_of_one_study_are_compared_with_their_birds_and_seasons(finished) -> None:
    rows = pd.DataFrame(json.loads(_call("compare", finished, "--format", "json")))
    assert set(rows["site"]) == {"site1", "site2", "site3", "site4"}
    assert (rows["birds"] > 0).all()
    assert (rows["seasons"] == 9).all()
    assert (rows["low"] < rows["high"]).all()
    told = _call("compare", finished)
    assert "Numbers of birds are not compared" in told
    assert "capture_index" not in set(rows["outcome"])


def test_a_map_shades_sites_by_their_chance_for_the_outcome_asked_for(finished) -> None:
    page = _call("compare", finished, "--outcome", "pollen_share", "--format", "html")
    rows = pd.DataFrame(
        json.loads(_call("compare", finished, "--outcome", "pollen_share", "--format", "json"))
    )
    assert set(rows["outcome"]) == {"pollen_share"}
    local = rows[rows["role"] == "local"]
    assert local["chance_above"].between(0, 1).all()
    best = local.loc[local["estimate"].idxmax()]
    assert best["chance_above"] == local["chance_above"].max()
    for row in local.to_dict("records"):
        told = rf"<title>{row['site']}: [^<]*, chance {row['chance_above']:.0%} to lie above the "
        assert re.search(rf"{told}others, {row['birds']:,} birds</title>", page)
    assert page.count('role="group" aria-label="share with pollen of') == 2  # a map a role
    with pytest.raises(StudyError, match=r"No site has the outcome 'weight'.*pollen_share"):
        _call("compare", finished, "--outcome", "weight")


def test_studies_are_compared_where_they_can_be_and_told_where_not(finished, tmp_path) -> None:
    others = _shared(finished, tmp_path / "Others", fat={"scale": "0-8"})
    told = _call("compare", finished, others)
    rows = pd.DataFrame(json.loads(_call("compare", finished, others, "--format", "json")))
    by_outcome = rows.groupby("outcome")["site"].nunique()
    assert by_outcome["pollen_share"] == 8
    assert by_outcome["fuel_load"] == 4  # of the first study alone
    assert "fat was scored on different scales (0-5 and 0-8)" in told
    assert "its zero differs between studies" in told
    assert "Others: site1" in set(rows["site"])
    with pytest.raises(StudyError, match="named twice"):
        _call("compare", finished, finished, finished)


@pytest.mark.parametrize("command", ["scenario", "compare"])
def test_help_gives_an_example(command: str) -> None:
    assert f"Example: site-support {command}" in " ".join(_call(command, "--help").split())


def test_no_change_is_claimed_that_the_interval_leaves_open() -> None:
    row = {"quantity": "lean_condition", "definition": "change", "scenario": "bloom half",
           "role": "local", "birds": 40, "basis": "measured", "note": ""}  # fmt: skip
    for low, high, claimed in ((-0.03, 0.01, ""), (-0.03, -0.01, "lower"), (0.01, 0.03, "higher")):
        told = pd.DataFrame([row | {"estimate": (low + high) / 2, "low": low, "high": high}])
        (said,) = scenario_sentences(told)
        assert ("would be" in said) == bool(claimed)
        assert claimed in said
