"""Writing that breaks at any step, or is killed at any moment, leaves outputs whole."""

import hashlib
import json
import random
from pathlib import Path

import pytest
from faults import FETCHED
from filelock import FileLock

PUBLISHED = ("run", "simulate")


def content(folder: Path) -> dict[str, str]:
    """Hashes of a folder's files."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def leftovers(out: Path) -> list[str]:
    return sorted(path.name for path in out.parent.iterdir() if path != out)


@pytest.fixture(scope="session")
def whole(breaker, tmp_path_factory):
    """What each writer writes undisturbed, by seed, and in how many steps."""
    made = {}
    for what in PUBLISHED:
        for seed in (1, 2):
            out = tmp_path_factory.mktemp("whole") / "out"
            told = breaker.order(what, out, seed)
            assert told["ended"] == "done", told
            again = breaker.order(what, out, seed)  # over a former one: all steps of a swap
            made[what, seed] = content(out), again["steps"]
    return made


def some(steps: int, share: int, seed: int) -> list[int]:
    """All steps for the slow suite, a sample of them else."""
    every = list(range(1, steps + 1))
    return sorted(random.Random(seed).sample(every, share)) if share < steps else every


def break_at(breaker, whole, tried, what, out, orders):
    """Break writing by each order in turn: the former or the new output is there, whole."""
    former, new = whole[what, 1][0], whole[what, 2][0]
    assert breaker.order(what, out, 1)["ended"] == "done"
    for fault, order in orders:
        told = breaker.order(what, out, 2, **order)
        found = content(out)
        assert found in (former, new), (fault, order, told)
        if order.get("fault") != "kill" and "kill_after_s" not in order:
            # a clear message, or nothing that matters was touched
            assert told["ended"] in ("refused", "done"), (order, told)
            assert (found == new) == (told["ended"] == "done"), (order, told)
            # Where its own removal is refused an emptied folder stays, for the next run to remove.
            left = list(out.parent.glob(".*building*"))
            assert not left or told["ended"] == "done", (order, told)
            assert not [path for folder in left for path in folder.rglob("*")], (order, told)
        state = "former output whole" if found == former else "new output whole"
        tried(what, fault, f"{told['ended']}; {state}")
        if found == new:
            assert breaker.order(what, out, 1)["ended"] == "done"
    assert breaker.order(what, out, 2)["ended"] == "done"
    assert content(out) == new
    assert not [name for name in leftovers(out) if "building" in name or "former" in name]


@pytest.mark.parametrize("what", PUBLISHED)
def test_some_steps_refused_or_killed(breaker, whole, tried, tmp_path, what):
    orders = [
        (words, {"fault": fault, "at": at})
        for number, (fault, words) in enumerate(
            [("full", "disk full"), ("denied", "permission taken away"), ("kill", "kill -9")]
        )
        for at in some(whole[what, 1][1], 3, number)
    ]
    break_at(breaker, whole, tried, what, tmp_path / "out", orders)


@pytest.mark.slow
@pytest.mark.parametrize("what", PUBLISHED)
@pytest.mark.parametrize("fault", ["full", "denied", "broken", "kill"])
def test_every_step_refused_or_killed(breaker, whole, tried, tmp_path, what, fault):
    words = {"full": "disk full", "denied": "permission taken away", "broken": "disk error"}
    orders = [
        (words.get(fault, "kill -9") + " at each step", {"fault": fault, "at": at})
        for at in some(whole[what, 1][1], 10**6, 0)
    ]
    break_at(breaker, whole, tried, what, tmp_path / "out", orders)


@pytest.mark.slow
@pytest.mark.parametrize("what", PUBLISHED)
def test_killed_at_fifty_random_moments(breaker, whole, tried, tmp_path, what):
    rng = random.Random(9)
    orders = [
        ("kill -9 at a random moment", {"kill_after_s": rng.uniform(0.0, 0.8)}) for _ in range(50)
    ]
    break_at(breaker, whole, tried, what, tmp_path / "out", orders)


@pytest.mark.parametrize("share", [4, pytest.param(10**6, marks=pytest.mark.slow)])
def test_a_file_that_does_not_fit_on_the_disk(breaker, whole, tried, tmp_path, share):
    """Also files written by libraries in C: the system refuses to let any file grow further."""
    out = tmp_path / "out"
    assert breaker.order("run", out, 1)["ended"] == "done"
    sizes = sorted({path.stat().st_size for path in out.rglob("*") if path.is_file()})
    orders = [
        ("disk full midway in a file", {"largest_file": sizes[place] - 1})
        for place in some(len(sizes) - 1, share, 1)
    ]
    break_at(breaker, whole, tried, "run", tmp_path / "out", orders)


@pytest.mark.parametrize("moments", [6, pytest.param(50, marks=pytest.mark.slow)])
def test_a_fetch_killed_keeps_files_whole(breaker, tried, archive_url, tmp_path, moments):
    from phenology.weather.cache import RawCache

    cache = RawCache(tmp_path / "cache")
    assert breaker.order("fetch", cache.root, 1, url=archive_url)["ended"] == "done"
    steps = breaker.order("fetch", cache.root, 1, url=archive_url)["steps"]  # folders are there
    assert steps > len(FETCHED)
    rng = random.Random(4)
    for _ in range(moments):
        order = {"fault": "kill", "at": rng.randint(1, steps)}
        assert breaker.order("fetch", cache.root, 2, url=archive_url, **order)["ended"] == "killed"
        for key in FETCHED:
            held = cache.held(key)
            kept = None if held is None else cache.content(held)
            # a file newer than its side file counts as not held, and is fetched anew
            assert kept is None or kept[:2] == b"\x1f\x8b"
        tried("fetch", "kill -9", "every file whole, or counted as not held")
        assert breaker.order("fetch", cache.root, 1, url=archive_url)["ended"] == "done"
        contents = [cache.content(cache.held(key)) for key in FETCHED]
        assert None not in contents


def test_a_folder_that_may_not_be_written(breaker, tried, tmp_path):
    home = tmp_path / "home"
    home.mkdir()
    home.chmod(0o555)
    told = breaker.order("run", home / "out", powerless=True)
    home.chmod(0o755)
    assert not list(home.iterdir())
    assert told["ended"] == "refused"
    assert "cannot be written" in told["words"]
    tried("run", "read-only folder", "refused in words")


def test_manifest_of_a_whole_run_names_every_file(breaker, tmp_path):
    out = tmp_path / "out"
    breaker.order("run", out, 1)
    names = json.loads((out / "summary.json").read_text())["files"]
    assert sorted(names) == sorted(content(out))


def test_two_runs_into_one_folder(tmp_path, tried, breaker):
    with FileLock(tmp_path / ".out.lock"):
        told = breaker.order("run", tmp_path / "out")
    assert told["ended"] == "refused"
    assert "Another run is writing" in told["words"]
    assert not (tmp_path / "out").exists()
    tried("run", "two runs into one folder", "the second refused in words")
