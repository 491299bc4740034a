"""Bad days: damaged files, a wrong clock, two at once, sheets saved meanwhile, no permission."""

import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest
import xarray as xr
from faults import FETCHED

from phenology.assess import command
from phenology.assess.draws_file import read_draws, write_draws
from phenology.assess.finished import FinishedRun
from phenology.errors import StudyError
from phenology.page.desk import hold_study
from phenology.study import files
from phenology.study.options import parse_options
from phenology.study.study import open_study
from phenology.weather import station_days
from phenology.weather.cache import RawCache
from phenology.weather.fetch import Fetcher

BIRDS = [
    {"site": "fork", "date": f"2031-07-2{day}", "band": f"TEST-{day}", "species": "RUHU"}
    for day in range(6)
]


@pytest.mark.parametrize("size", [0, 10, 1000])
@pytest.mark.parametrize("name", ["site_days", "estimates", "captures", "draws"])
def test_a_truncated_file_of_a_run_is_named(tmp_path, tried, name, size):
    options = parse_options({"name": "x", "species": {"Selasphorus rufus": "passage"}})
    run = FinishedRun(tmp_path, options, {}, ())
    table = xr.Dataset({"birds": ("draw", list(range(5000)))})
    if name == "captures":
        path = tmp_path / "captures.parquet"
        pd.DataFrame({"birds": range(5000)}).to_parquet(path)
    elif name == "draws":
        path = tmp_path / "draws.nc"
        write_draws({"birds": table}, tmp_path)
        assert list(read_draws(tmp_path)) == ["birds"]
    else:
        path = tmp_path / f"{name}.nc"
        table.to_netcdf(path, engine="h5netcdf")
    whole = path.read_bytes()
    assert len(whole) > size
    path.write_bytes(whole[:size])
    with pytest.raises(StudyError, match=rf"{path.name}.* damaged"):
        list(run.draws) if name == "draws" else getattr(run, name)
    tried("reading a finished run", f"truncated {path.suffix}", "refused in words, file named")


@pytest.mark.parametrize("damage", [b"", b"PAR1rubbishPAR1", None])
def test_damaged_parsed_days_are_parsed_anew(tmp_path, tried, damage):
    path = tmp_path / "days.parquet"
    good = pd.DataFrame({"tmin_c": [1.0]})
    good.attrs = {"providers": ["invented"], "notes": []}
    good.to_parquet(path)
    assert station_days._stored_days(path) is not None
    if damage is None:
        path.unlink()
    else:
        path.write_bytes(damage)
    assert station_days._stored_days(path) is None
    tried("weather", "corrupt cache entry", "parsed anew from the raw file")


COMPILE_TWICE = """
import sys
from pathlib import Path
import jax
from phenology.compilation import use_compilation_cache
use_compilation_cache()
jax.config.update("jax_persistent_cache_min_compile_time_secs", 0.0)
told = []
for damage in (None, b"", b"rubbish" * 99, None):
    for entry in Path(sys.argv[1]).glob("*-cache") if damage is not None else ():
        entry.write_bytes(damage)
    jax.clear_caches()
    told.append(float(jax.jit(lambda x: (x @ x.T).sum())(jax.numpy.ones((5, 5)))))
print(len(list(Path(sys.argv[1]).glob("*-cache"))) > 0, told)
"""


def test_damaged_compiled_models_are_compiled_anew(tmp_path, tried):
    told = subprocess.run(
        [sys.executable, "-c", COMPILE_TWICE, str(tmp_path)],
        env=os.environ | {"JAX_COMPILATION_CACHE_DIR": str(tmp_path)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert told.stdout == "True [125.0, 125.0, 125.0, 125.0]\n", told.stderr
    tried("models", "corrupt cache entry", "compiled anew")


@pytest.mark.parametrize("days", [-4000, -1, 1])
def test_a_clock_set_back_does_not_keep_an_old_copy(tmp_path, tried, archive_url, days):
    """A copy dated in the future is fetched anew; one of yesterday is kept."""
    cache = RawCache(tmp_path, now=lambda: datetime.now(UTC) - timedelta(days=days))
    Fetcher(cache, f"{archive_url}/1").fetch(FETCHED[0], timedelta(days=30))
    now = Fetcher(RawCache(tmp_path), f"{archive_url}/2")
    held = now.fetch(FETCHED[0], timedelta(days=30))
    assert held.url.startswith(f"{archive_url}/{1 if days > 0 else 2}")
    tried("fetch", "clock set back", "fetched anew")


def test_a_sheet_saved_while_it_is_read(write_study, tried, monkeypatch):
    study = write_study(captures=BIRDS)
    read = files.read_grids

    def read_and_save(path: Path):
        found = read(path)
        if path.name == "captures.csv":
            path.write_text(path.read_text() + "fork,2031-07-30,TEST-9,RUHU\n")
        return found

    monkeypatch.setattr(files, "read_grids", read_and_save)
    with pytest.raises(StudyError, match=r"captures\.csv was changed while"):
        open_study(study)
    tried("run", "a sheet saved while it is read", "refused in words")


def test_a_sheet_saved_while_the_models_run(write_study, tried, monkeypatch, tmp_path):
    study = write_study(captures=BIRDS)

    def assess(opened, *_, **__):
        with (study / "captures.csv").open("a") as sheet:
            sheet.write("fork,2031-07-30,TEST-9,RUHU\n")
        return type("Answers", (), {"study": opened, "estimates": pd.DataFrame({"basis": []})})()

    def write(_, folder):
        (folder / "summary.json").write_text('{"files": ["summary.json"]}')

    monkeypatch.setattr(command, "assess_regions", assess)
    monkeypatch.setattr(command, "write_run", write)
    monkeypatch.setattr(command, "use_compilation_cache", lambda: None)
    told = command.run_study(lambda *_: None, str(study), str(tmp_path / "out"), 1, 1)["told"]
    assert any("captures.csv was changed" in line and "run it again" in line for line in told)
    assert (tmp_path / "out" / "summary.json").exists()
    tried("run", "a sheet saved while the models run", "answers of the former sheet; said so")


def test_a_sheet_that_may_not_be_read(write_study, tried, monkeypatch):
    study = write_study(captures=BIRDS)
    opened = Path.open

    def refuse(path, *arguments, **more):
        if path.name == "captures.csv":
            raise PermissionError(13, "Permission denied")
        return opened(path, *arguments, **more)

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(StudyError, match=r"captures\.csv cannot be read: Permission denied"):
        open_study(study)
    tried("run", "a sheet that may not be read", "refused in words")


def test_a_page_that_cannot_note_its_study_is_told(tmp_path, tried, monkeypatch):
    in_the_way = tmp_path / "cache"
    in_the_way.write_text("")
    monkeypatch.setattr("platformdirs.user_cache_path", lambda _: in_the_way)
    with pytest.raises(StudyError, match=r"cannot be written: (File exists|Not a directory)"):
        hold_study(tmp_path, "")
    tried("page", "a home that may not be written", "refused in words")


def test_a_check_killed_changes_no_sheet(write_study, tried):
    correction = {"sheet": "captures", "file": "captures.csv", "row": 2, "column": "band",
                  "old": "TEST-0", "new": "TEST-8"}  # fmt: skip
    study = write_study(captures=BIRDS, corrections=[correction])
    before = {path.name: path.read_bytes() for path in study.iterdir()}
    for wait_s in (0.3, 1.5):
        code = f"from phenology import open_study\nwhile True: open_study({str(study)!r})"
        process = subprocess.Popen([sys.executable, "-c", code])
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(wait_s)
        process.kill()
        process.wait()
        assert {path.name: path.read_bytes() for path in study.iterdir()} == before
        tried("a correction", "kill -9", "no file changed; applied by the next check")
    assert open_study(study).captures["band"].tolist()[0] == "TEST-8"
