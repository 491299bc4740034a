"""A process that writes outputs and, when told, breaks at a chosen step of writing.

Run as ``python faults.py``: it prepares what it will write, then reads one JSON order a line,
does each in a fork of itself and answers one JSON line. A step is a file opened for writing, or
a folder made, renamed or removed, below the folder named in the order.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import gzip
import importlib.util
import io
import json
import os
import resource
import signal
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

STEPS = {"open", "os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.chmod", "shutil.copyfile"}
TIME_LIMIT_S = 120
PAGE_TOML = [
    f'name = "Invented {name}"\n[species]\n"Selasphorus rufus" = "passage"\n'
    for name in ("forks", "ridges")
]
PAGE_SHEETS = [
    "".join(["site,date,band,species\n", *(f"fork,2031-07-11,{n},RUHU\n" for n in birds)]).encode()
    for birds in (range(90001, 90002), range(90001, 90800))
]
FETCHED = [f"hourly/20{year}/TEST1.csv.gz" for year in range(20, 24)]


class Steps:
    """Counts steps of writing below a folder; at one of them kills the process or refuses it."""

    def __init__(self, below: str, at: int, fault: str) -> None:
        self.below, self.at, self.fault, self.seen = below, at, fault, 0
        sys.addaudithook(self._step)

    def _step(self, event: str, arguments: tuple[object, ...]) -> None:
        if event not in STEPS or not arguments:
            return
        path = arguments[0]
        if not isinstance(path, str | os.PathLike) or not os.fspath(path).startswith(self.below):
            return
        if event == "open" and not (isinstance(arguments[2], int) and arguments[2] & 3):
            return
        self.seen += 1
        if self.seen != self.at:
            return
        if self.fault == "kill":
            os.kill(os.getpid(), signal.SIGKILL)
        code = {"full": errno.ENOSPC, "denied": errno.EACCES, "broken": errno.EIO}[self.fault]
        raise OSError(code, os.strerror(code), str(path))


def give_up_power() -> None:
    """Obey permissions also as the administrator: capset(2) with nothing left."""
    version_3 = 0x20080522
    header = (ctypes.c_uint32 * 2)(version_3, 0)
    nothing = (ctypes.c_uint32 * 6)()
    if ctypes.CDLL(None, use_errno=True).capset(header, nothing):
        raise OSError(ctypes.get_errno(), "capset")


def invented_assessment():
    """The invented assessment of the report's tests."""
    path = Path(__file__).parents[1] / "report" / "conftest.py"
    spec = importlib.util.spec_from_file_location("report_conftest", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.invented_assessment()


def regional(assessment, study):
    """Invented answers of a region of one site, for its birds."""
    from phenology.assess.kept_regions import Part

    (site,) = study.sites["site"]
    days = assessment.site_days.sel(site=[site])
    species = [" ".join(group.split()[:2]) for group in days["group"].values]
    birds = study.captures.drop(columns=["bander", "remarks"])
    birds = birds.assign(group=days["group"].values[0], season="2031")
    return Part(
        estimates=assessment.estimates[assessment.estimates["site"] == site],
        captures=birds.reindex(columns=birds.columns.union(assessment.captures.columns)),
        curves=assessment.curves[assessment.curves["site"] == site],
        diagnostics=assessment.diagnostics,
        site_days=days.assign_coords(species=("group", species)),
        draws=assessment.draws,
        narrowed=assessment.narrowed,
        versions=assessment.versions,
        cite=assessment.cite,
    )


class Writers:
    """What can be written, prepared once: computing it is not what is tested here."""

    def __init__(self) -> None:
        import distributed  # noqa: F401 — xarray asks for it as it writes

        import phenology.assess.command
        import phenology.models.simulated_season as season
        import phenology.report.report as report
        import phenology.weather.fetch  # noqa: F401
        from phenology.simulate.options import checked_world

        self.assessment = invented_assessment()
        page = report.render_report(self.assessment)
        report.render_report = lambda *_: page
        self.simulated = {
            seed: season.simulate(checked_world(1, 1, {"feeders": "never_varying"}), seed)
            for seed in (1, 2)
        }
        season.simulate = lambda _, seed: self.simulated[seed]

    def run(self, out: Path, seed: int, _: str) -> None:
        from phenology.assess.outputs import write_run
        from phenology.publish import publish

        with publish(out) as build:
            write_run(replace(self.assessment, seed=seed), build)

    def regions(self, out: Path, seed: int, study: str) -> None:
        """A run of two regions, answered at once: keeping each and going on is what is tested."""
        import phenology.assess.command as command
        import phenology.assess.regions as regions

        def answer(part, _):
            with (Path(study) / "asked").open("a") as asked:
                asked.write(f"{part.sites['site'].iloc[0]}\n")
            return regional(self.assessment, part)

        regions.answer_region = answer
        command.use_compilation_cache = lambda: None
        command.run_study(lambda *_: None, study, str(out), seed, 1)

    def export(self, out: Path, _: int, study: str) -> None:
        from phenology.study.export import write_capture_table, write_darwin_core
        from phenology.study.study import open_study

        opened = open_study(Path(study))
        write_capture_table(opened, out / "captures.parquet")
        write_darwin_core(opened, out / "birds.zip")

    def simulate(self, out: Path, seed: int, _: str) -> None:
        from phenology.simulate import simulate_study

        simulate_study(out, seed, sites=1, seasons=1, feeders="never_varying")

    def fetch(self, out: Path, seed: int, url: str) -> None:
        from phenology.weather.cache import RawCache
        from phenology.weather.fetch import Fetcher

        out.mkdir(exist_ok=True)
        fetcher = Fetcher(RawCache(out), f"{url}/{seed}", timeout_s=20, sleep=lambda _: None)
        for key in FETCHED:
            fetcher.fetch(key, timedelta(0))

    def page(self, out: Path, seed: int, _: str) -> None:
        """What a session of the local page writes into a study."""
        from phenology.page.desk import Desk
        from phenology.page.dropped import add_files

        desk = Desk(out, "http://127.0.0.1:0")
        desk.write_settings(PAGE_TOML[seed - 1])
        add_files(out, [("captures.csv", io.BytesIO(PAGE_SHEETS[seed - 1]))], replacing=True)
        self.correct(out, seed, "")
        desk.close()

    def correct(self, out: Path, _: int, __: str) -> None:
        """Accept one correction."""
        from phenology.page.accepted import Correction, append_correction

        cell = Correction("captures", "captures.csv", 2, "site", "frok", "fork", "tester", "slip")
        append_correction(out, cell)

    def open(self, out: Path, _: int, __: str) -> None:
        """Read a study: what writing starts from."""
        from phenology.study.study import open_study

        open_study(out)


def write_archive(folder: Path) -> None:
    """Files to fetch, in two versions."""
    for seed in (1, 2):
        for key in FETCHED:
            path = folder / str(seed) / key
            path.parent.mkdir(parents=True)
            path.write_bytes(gzip.compress(b"year,month,day\n" + f"{seed},{key}\n".encode() * 500))


def obey(writers: Writers, order: dict) -> dict:
    """Do one order in a fork; tell how it ended."""
    reading, writing = os.pipe()
    child = os.fork()
    if not child:
        os.close(reading)
        signal.alarm(TIME_LIMIT_S)
        os.write(writing, json.dumps(_attempt(writers, order)).encode())
        os._exit(0)
    os.close(writing)
    if order.get("kill_after_s") is not None:
        with contextlib.suppress(ProcessLookupError):
            signal.sigtimedwait([signal.SIGCHLD], order["kill_after_s"])
            os.kill(child, signal.SIGKILL)
    with os.fdopen(reading, "rb") as answer:
        told = answer.read()
    os.waitpid(child, 0)
    return json.loads(told) if told else {"ended": "killed", "words": "", "steps": 0}


def _attempt(writers: Writers, order: dict) -> dict:
    from phenology.errors import StudyError

    if order.get("powerless"):
        give_up_power()
    steps = Steps(order["below"], order.get("at") or 0, order.get("fault") or "")
    if order.get("largest_file") is not None:
        hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
        resource.setrlimit(resource.RLIMIT_FSIZE, (order["largest_file"], hard))
    try:
        getattr(writers, order["what"])(Path(order["out"]), order["seed"], order.get("url", ""))
    except StudyError as error:
        return {"ended": "refused", "words": str(error), "steps": steps.seen}
    except Exception as error:  # noqa: BLE001  # what a user would see as a defect
        return {"ended": "defect", "words": f"{type(error).__name__}: {error}", "steps": steps.seen}
    return {"ended": "done", "words": "", "steps": steps.seen}


def main() -> None:
    signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGCHLD])
    writers = Writers()
    print("ready", flush=True)
    for line in sys.stdin:
        print(json.dumps(obey(writers, json.loads(line))), flush=True)


if __name__ == "__main__":
    main()
