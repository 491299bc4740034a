"""Large invented studies: regions apart, one set of sheets, the same bytes from the same seed."""

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from phenology.models.simulated_season import simulate
from phenology.models.simulated_season_world import Plan, World, make_world
from phenology.regions import regions_of
from phenology.simulate.many_regions import simulate_regions
from phenology.simulate.write import written_sheets
from phenology.study.study import open_study

FEW = Plan(first_day=200, last_day=235, every_days=7, survey_every=14, count_every=14)


@pytest.fixture(scope="module")
def wide(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wide") / "study"
    simulate_regions(folder, 3, seed=1, sites=2, seasons=2, plan=FEW)
    return folder


def test_regions_share_neither_birds_nor_sites(wide: Path) -> None:
    study = open_study(wide)
    region_of = regions_of(study.sites)
    assert region_of.value_counts().tolist() == [2, 2, 2]
    banded = study.captures.dropna(subset="band")
    regions = banded.groupby("band")["site"].agg(lambda sites: region_of[sites].nunique())
    assert len(regions) > 100
    assert (regions == 1).all()
    assert not (study.findings["severity"] == "impossible").any()


def test_stations_farther_east_keep_the_time_of_their_own_sun() -> None:
    east = replace(make_world(1, 1, plan=FEW).stations[0], longitude=-12.0)
    sheets = written_sheets(simulate(World((east,), (2031,)), seed=1))
    assert sheets["sites"]["timezone"].tolist() == ["Etc/GMT+1"]
    hours = pd.to_timedelta(sheets["effort"]["open"] + ":00") / pd.Timedelta(hours=1)
    assert hours.between(4, 9).all()


def test_every_sheet_has_one_heading_and_the_rows_of_all(wide: Path) -> None:
    sites = {f"r{region}site{site}" for region in (1, 2, 3) for site in (1, 2)}
    for kind in ("captures", "effort", "bloom", "counts", "weather"):
        table = pd.read_csv(wide / f"{kind}.csv", dtype=str)
        assert set(table["site"]) == sites, kind
    assert pd.read_csv(wide / "plants.csv")["plant"].is_unique


def test_the_same_seed_makes_the_same_study(wide: Path, tmp_path: Path) -> None:
    simulate_regions(tmp_path / "again", 3, seed=1, sites=2, seasons=2, plan=FEW)
    for path in wide.iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name
