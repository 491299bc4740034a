"""Studies of several regions: alike however many work on them, and resumed where they stopped."""

import os
import signal
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import dask
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from distributed import Client, LocalCluster

from phenology.assess import regions
from phenology.assess.assessment import Assessment
from phenology.assess.kept_regions import Part, kept_folder
from phenology.assess.outputs import write_run
from phenology.assess.regions import assess_regions, region_seed
from phenology.compute import ONE_THREAD
from phenology.errors import StudyError
from phenology.regions import part_of, regions_of
from phenology.study.study import Study, open_study

WriteStudy = Callable[..., Path]


@pytest.fixture(scope="module")
def study(write_study_at: WriteStudy, tmp_path_factory: pytest.TempPathFactory) -> Study:
    """Two regions of one site; two seasons of ten days."""
    rng = np.random.default_rng(4)
    captures, effort = [], []
    for site, centre in (("fork", 212), ("mesa", 226)):
        for season in (2031, 2032, 2033):
            for day in range(190, 250, 6):
                date = f"{pd.Timestamp(season, 1, 1) + pd.Timedelta(days=day - 1):%Y-%m-%d}"
                session = {"site": site, "date": date, "trap": "T1", "baited": "yes"}
                effort.append(session | {"open": "06:00", "close": "11:00", "traps": 1})
                for _ in range(rng.poisson(6 * np.exp(-0.5 * ((day - centre) / 10) ** 2))):
                    bird = {"site": site, "date": date, "time": "08:00", "trap": "T1"}
                    bird |= {"band": f"TEST-{len(captures):05d}", "species": "Selasphorus rufus"}
                    bird |= {"age": "adult", "sex": "male", "capture": "new"}
                    captures.append(bird)
    sites = [
        {"site": "fork", "latitude": 31.0, "longitude": -109.0, "region": "south"},
        {"site": "mesa", "latitude": 40.0, "longitude": -106.0, "region": "north"},
    ]
    bloom = [
        {"site": site, "date": f"{year}-{day}", "plant": "Salvia alpha", "area_m2": 100,
         "open_flowers": round(flowers * (1 + (site == "mesa") + 0.3 * (year - 2031))),
         "complete": "yes"}
        for site, years in (("fork", (2031, 2032, 2033)), ("mesa", (2032, 2033)))
        for year in years
        for day, flowers in (("07-05", 20), ("07-20", 80), ("08-04", 60), ("08-19", 15))
    ]  # fmt: skip
    folder = tmp_path_factory.mktemp("regions") / "study"
    return open_study(
        write_study_at(folder, captures=captures, effort=effort, sites=sites, bloom=bloom)
    )


@pytest.fixture(scope="module")
def parts() -> dict[str, Part | str]:
    """What `serial` was told of each site's region."""
    return {}


@pytest.fixture(scope="module")
def serial(study: Study, parts: dict[str, Part | str]) -> Assessment:
    answered = regions.answer_region

    def noted(part: Study, seed: int) -> Part | str:
        return parts.setdefault(part.sites["site"].iloc[0], answered(part, seed))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(regions, "answer_region", noted)
        return assess_regions(study)


def test_each_region_answers_for_its_own_sites(study: Study, serial: Assessment) -> None:
    peaks = serial.estimates[(serial.estimates["quantity"] == "peak_day")]
    assert set(peaks["site"]) == {"fork", "mesa"}
    told = peaks[peaks["definition"] == "all seasons sampled, summed"].groupby("site")["estimate"]
    assert told.mean()["fork"] + 5 < told.mean()["mesa"]
    assert len(serial.captures) == len(study.captures)
    assert serial.captures.index.equals(study.captures.index)
    caught = serial.site_days["captures"]
    assert int(caught.sum()) == len(study.captures)
    assert {name.split(": ")[0] for name in serial.draws} == {"north", "south"}
    key = list(serial.estimates.columns[:11])
    assert not serial.estimates.duplicated(key).any()


def test_a_report_of_several_regions_names_them(serial: Assessment, tmp_path: Path) -> None:
    write_run(serial, tmp_path)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Fewer than 3 surveyed seasons at mesa" in text
    assert "the model was the better in" in text
    skill = pd.read_csv(tmp_path / "tables" / "bloom_skill.csv")
    assert sorted(skill["season"]) == [2031, 2032, 2032, 2033, 2033]  # of the south, of the north
    assert serial.site_days["plant_flowers_per_m2"].sizes["site"] == 2


def test_nectar_in_flowers_is_not_set_beside_nectar_in_sugar(
    study: Study,
    serial: Assessment,
    parts: dict[str, Part | str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    days = parts["mesa"].site_days
    sugar = days["nectar"].assign_attrs(nectar_is="absolute")
    told = parts | {"mesa": replace(parts["mesa"], site_days=days.assign(nectar=sugar))}
    monkeypatch.setattr(regions, "answer_region", lambda part, _: told[part.sites["site"].iloc[0]])
    joined = assess_regions(study).site_days
    assert joined["nectar"].attrs["nectar_is"] == "absolute"
    known = joined["nectar"].notnull().any("date")
    assert known.sel(site=["fork", "mesa"]).to_numpy().tolist() == [False, True]
    assert "No sugar is given for the plants of fork" in joined["open_flowers_per_m2"].notes
    assert serial.site_days["nectar"].notnull().any("date").all()  # alike, they are told


def test_two_workers_tell_the_same_as_one_process(study: Study, serial: Assessment) -> None:
    together = assess_regions(study, jobs=2)
    pd.testing.assert_frame_equal(together.estimates, serial.estimates)
    pd.testing.assert_frame_equal(together.captures, serial.captures)


def test_a_worker_killed_midway_changes_nothing(study: Study, serial: Assessment) -> None:
    with (
        dask.config.set({"distributed.nanny.pre-spawn-environ": ONE_THREAD}),
        LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=regions.FREE_PORT
        ) as cluster,
        Client(cluster) as client,
    ):
        workers = client.run(os.getpid)

        def kill_one_at_work() -> int:
            while True:
                for address, tasks in client.processing().items():
                    if tasks:
                        time.sleep(1.0)  # it reads its region's rows by now
                        os.kill(workers[address], signal.SIGKILL)
                        return workers[address]
                time.sleep(0.1)

        with ThreadPoolExecutor(1) as thread:
            killed = thread.submit(kill_one_at_work)
            told = assess_regions(study, scheduler=cluster.scheduler_address)
        assert killed.result() not in client.run(os.getpid).values()
    pd.testing.assert_frame_equal(told.estimates, serial.estimates)


def test_a_stopped_run_goes_on_from_its_finished_regions(
    study: Study, serial: Assessment, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answered = regions.answer_region
    done: list[tuple[str, ...]] = []

    def stopped_at_the_second(part: Study, seed: int) -> Part | str:
        if done:
            raise KeyboardInterrupt
        done.append(tuple(part.captures["site"].unique()))
        return answered(part, seed)

    kept = tmp_path / "kept"
    monkeypatch.setattr(regions, "answer_region", stopped_at_the_second)
    with pytest.raises(KeyboardInterrupt):
        assess_regions(study, kept=kept)

    def tell(part: Study, seed: int) -> Part | str:
        done.append(tuple(part.captures["site"].unique()))
        return answered(part, seed)

    monkeypatch.setattr(regions, "answer_region", tell)
    resumed = assess_regions(study, kept=kept)
    assert sorted(done) == [("fork",), ("mesa",)]
    pd.testing.assert_frame_equal(resumed.estimates, serial.estimates)


def test_a_kept_region_that_is_damaged_is_answered_anew(
    study: Study, serial: Assessment, parts: dict[str, Part | str],
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    asked: list[str] = []

    def tell(part: Study, seed: int) -> Part | str:
        asked.append(part.sites["site"].iloc[0])
        return parts[asked[-1]]

    monkeypatch.setattr(regions, "answer_region", tell)
    assess_regions(study, kept=tmp_path)
    assert sorted(asked) == ["fork", "mesa"]
    folder = next(tmp_path.iterdir())
    assert len(list(folder.iterdir())) == 7
    for name in ("whole.json", "draws.nc", "site_days.nc", "estimates.parquet"):
        whole = (folder / name).read_bytes()
        asked.clear()
        (folder / name).write_bytes(whole[: len(whole) // 2])
        resumed = assess_regions(study, kept=tmp_path)
        assert len(asked) == 1, name
        pd.testing.assert_frame_equal(resumed.estimates, serial.estimates)
    assert set(resumed.draws) == set(serial.draws)
    for name, draws in serial.draws.items():
        xr.testing.assert_identical(resumed.draws[name], draws)


def test_a_region_that_cannot_be_answered_is_named(study: Study) -> None:
    captures = study.captures
    few = captures[(captures["site"] == "fork") | (captures.groupby("site").cumcount() < 3)]
    told = assess_regions(replace(study, sheets=study.sheets | {"captures": few}))
    assert not told.estimates["site"].isin(["mesa", "all of north", ""]).any()
    assert any(line.startswith("north: The captures hold 3") for line in told.narrowed)


def test_a_region_that_fails_is_not_tried_again(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried = []

    def fail(part: Study, *_: int, **__: object) -> Assessment:
        tried.extend(part.sites["site"])
        raise ArithmeticError("no such number")

    monkeypatch.setattr(regions, "assess_study", fail)
    with (
        LocalCluster(
            host="127.0.0.1",
            protocol="tcp",
            processes=False,
            n_workers=1,
            threads_per_worker=1,
            dashboard_address=regions.FREE_PORT,
        ) as cluster,
        pytest.raises(ArithmeticError, match="no such number"),
    ):
        assess_regions(study, scheduler=cluster.scheduler_address)
    assert len(set(tried)) == len(tried) <= 2


def test_no_scheduler_is_told_in_words(study: Study) -> None:
    with pytest.raises(StudyError, match="No Dask scheduler answers"):
        assess_regions(study, scheduler="tcp://127.0.0.1:9")


def test_sites_far_apart_fall_into_regions_where_there_are_many() -> None:
    near = pd.DataFrame(
        {"site": [f"s{n}" for n in range(20)], "latitude": 31.0, "longitude": -109.0}
    )
    near.loc[10:, "latitude"] = 45.0 + 0.5 * np.arange(10)  # a chain of short steps
    found = regions_of(near)
    assert found.nunique() == 2
    assert found["s10"] == found["s19"] != found["s0"]
    assert regions_of(near.head(12)).nunique() == 1


def test_a_part_keeps_only_its_own_rows(study: Study) -> None:
    part = part_of(study, ["mesa"])
    assert set(part.captures["site"]) == set(part.sites["site"]) == {"mesa"}
    assert len(study.captures) > len(part.captures)


def test_seeds_depend_on_the_region_s_name_alone() -> None:
    assert region_seed(1, "north") == region_seed(1, "north")
    assert len({region_seed(1, "north"), region_seed(1, "south"), region_seed(2, "north")}) == 3


def test_what_other_sheets_left_is_removed(study: Study, tmp_path: Path) -> None:
    first = kept_folder(tmp_path / "out", study, 1)
    first.mkdir()
    assert kept_folder(tmp_path / "out", study, 1) == first
    assert first.exists()
    assert kept_folder(tmp_path / "out", study, 2) != first
    assert not first.exists()
