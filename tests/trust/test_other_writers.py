"""Fetch, export, run of regions, plan: refused or killed, files are whole and work goes on."""

import json
import random
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from faults import FETCHED
from test_faults import content, some

from phenology.ahead import plan
from phenology.errors import StudyError
from phenology.models.sampling_plan import Plan
from phenology.weather.cache import RawCache

FAULTS = {"full": "disk full", "denied": "permission taken away", "broken": "disk error"}
MOMENTS = pytest.mark.parametrize("moments", [4, pytest.param(50, marks=pytest.mark.slow)])


@MOMENTS
@pytest.mark.parametrize("fault", FAULTS)
def test_a_fetch_refused_keeps_files_whole(breaker, tried, archive_url, tmp_path, fault, moments):
    cache = RawCache(tmp_path / "cache")
    assert breaker.order("fetch", cache.root, 1, url=archive_url)["ended"] == "done"
    steps = breaker.order("fetch", cache.root, 1, url=archive_url)["steps"]
    for at in some(steps, moments, 8):
        told = breaker.order("fetch", cache.root, 2, url=archive_url, fault=fault, at=at)
        assert told["ended"] in ("refused", "done"), (at, told)  # a folder may be there already
        assert "Fetched weather cannot be written" in told["words"] or told["ended"] == "done"
        for key in FETCHED:
            held = cache.held(key)
            kept = None if held is None else cache.content(held)
            assert kept is None or kept[:2] == b"\x1f\x8b"
        tried("fetch", FAULTS[fault], f"{told['ended']}; every file whole, or fetched anew")
        assert breaker.order("fetch", cache.root, 1, url=archive_url)["ended"] == "done"
        assert None not in [cache.content(cache.held(key)) for key in FETCHED]
    assert not [path for path in cache.root.rglob(".part-*") if path.stat().st_size]


@pytest.fixture
def two_regions(write_study):
    birds = [
        {"site": site, "date": f"2031-07-{day}", "band": f"TEST-{day}", "species": "RUHU"}
        for site, days in (("fork", range(10, 15)), ("ridge", range(20, 25)))
        for day in days
    ]
    sites = [
        {"site": "fork", "latitude": 31.0, "longitude": -109.0, "region": "south"},
        {"site": "ridge", "latitude": 40.0, "longitude": -106.0, "region": "north"},
    ]
    return write_study(captures=birds, sites=sites)


@MOMENTS
@pytest.mark.parametrize("fault", [*FAULTS, "kill"])
def test_an_export_is_replaced_whole_or_not_at_all(
    breaker, tried, tmp_path, two_regions, fault, moments
):
    out = tmp_path / "out"
    out.mkdir()
    order = {"url": str(two_regions)}
    told = breaker.order("export", out, **order)
    assert told["ended"] == "done", told
    steps = breaker.order("export", out, **order)["steps"]
    assert steps > 2
    for at in some(steps, moments, 2):
        told = breaker.order("export", out, fault=fault, at=at, **order)
        if fault == "kill":
            assert told["ended"] == "killed"
        else:
            assert told["ended"] in ("refused", "done"), (
                at,
                told,
            )  # done: only tidying was refused
            assert "cannot be written" in told["words"] or told["ended"] == "done"
        assert len(pd.read_parquet(out / "captures.parquet")) == 10
        with zipfile.ZipFile(out / "birds.zip") as archive:
            assert archive.testzip() is None
            assert len(archive.namelist()) == 5
        tried("export", FAULTS.get(fault, "kill -9"), f"{told['ended']}; files whole")


def answers(out: Path) -> dict[str, str]:
    """Hashes of what a run tells, whenever it was made."""
    return {name: told for name, told in content(out).items() if name != "private/run.log"}


@MOMENTS
def test_a_run_of_regions_killed_goes_on_with_those_it_finished(
    breaker, tried, tmp_path, two_regions, moments
):
    out, asked = tmp_path / "runs" / "out", two_regions / "asked"
    whole = {}
    for seed in (1, 2, 1):
        told = breaker.order("regions", out, seed, url=str(two_regions))
        assert told["ended"] == "done", told
        whole[seed] = answers(out)
    assert whole[1] != whole[2]
    rng = random.Random(1)
    gone_on = 0
    for moment in range(moments):
        seed = 2 - moment % 2
        asked.unlink()
        order = {"kill_after_s": rng.uniform(0.05, 1.2)}
        if moment % 2:
            order = {"fault": "kill", "at": rng.randint(1, told["steps"] // 3)}  # as regions end
        ended = breaker.order("regions", out, seed, url=str(two_regions), **order)["ended"]
        assert answers(out) in whole.values()
        kept = [
            json.loads(path.read_text())["region"]
            for path in out.parent.glob(".out-regions-*/*/whole.json")
            if path.stat().st_size
        ]
        before = asked.read_text().split() if asked.exists() else []
        assert breaker.order("regions", out, seed, url=str(two_regions))["ended"] == "done"
        assert answers(out) == whole[seed]
        again = asked.read_text().split()[len(before) :]
        assert len(again) == 2 - len(kept), (order, kept, again)
        gone_on += len(kept) == 1
        assert {path.name for path in out.parent.iterdir()} <= {"out", ".out.lock"}
        tried("run of regions", "kill -9", f"{ended}; former or new output whole; gone on with")
    assert gone_on or moments < 50


def test_a_comparison_of_plans_goes_on_or_is_refused_in_words(tmp_path, tried, monkeypatch):
    """What was finished before a stop is kept, a half line is not; no folder is told in words."""
    monkeypatch.setattr(plan, "_habits", lambda *_: None)
    monkeypatch.setattr(plan, "_yield", lambda *_: None)
    monkeypatch.setattr(plan, "_stamp", lambda *_: "stamp")
    fitted: list[Plan] = []

    def widths(each: Plan, *_: object) -> list[float]:
        if len(fitted) == 3:
            raise KeyboardInterrupt
        fitted.append(each)
        return [float(each.days)]

    monkeypatch.setattr(plan, "_widths", widths)
    run = type("Run", (), {"summary": {"seed": 1}})
    plans = [Plan(days=days, sites=1, seasons=2) for days in (10, 20)]
    kept = tmp_path / "kept.jsonl"
    with pytest.raises(KeyboardInterrupt):
        plan.compare_plans(run, plans, species="x", kept=kept)
    kept.write_bytes(kept.read_bytes()[:-9])  # as if killed in the third line
    fitted.clear()
    table = plan.compare_plans(run, plans, species="x", kept=kept)
    assert [each.days for each in fitted] == [20, 20]
    assert table["width"].tolist() == [10.0, 10.0, 20.0, 20.0]
    fitted.clear()
    with pytest.raises(StudyError, match="cannot be written: No such file"):
        plan.compare_plans(run, plans, species="x", kept=tmp_path / "gone" / "kept.jsonl")
    tried("plan", "stopped; a folder that is gone", "goes on; refused in words")
