"""Calibration: fit a model to many simulated studies and keep a table of how it did.

``python -m phenology.calibrate MODEL --studies N --seed S [--resume] [--jobs J]`` writes
models/calibration/MODEL.csv. A table carries the hash of the model's source: tests fail when it
is stale, and when its figures miss the limits set here.

A study that the model refuses adds nothing to coverage; `refused` counts them. Kept studies are
those of one seed, and of one source or of earlier ones that it was confirmed to agree with: with
--resume a calibration goes on where it was stopped, or from the studies of a smaller table.

Code that was only made faster gives the same answers but for chance: ``--confirm N`` fits the
first N of the kept studies again and, if estimates are not shifted and intervals no wider or
narrower (`agreement`), lets the table stand for the new source. It says in `confirmed` by how many
studies.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import import_module
from multiprocessing import get_context
from pathlib import Path
from typing import TextIO

import pandas as pd

import phenology.models
from phenology.agreement import agree, agreement
from phenology.compute import ONE_THREAD, end_with_parent
from phenology.coverage import NOMINAL, summarise
from phenology.models.refusal import Refused

MODELS_FOLDER = Path(phenology.models.__file__).parent
TABLES = MODELS_FOLDER / "calibration"
STUDY_COLUMNS = ("scenario", "quantity", "truth", "estimate", "low", "high", "oracle_width")


@dataclass(frozen=True)
class Calibration:
    """How one model is calibrated.

    Attributes
    ----------
    study : str
        "module:function"; the function takes a seed and returns a DataFrame with
        `STUDY_COLUMNS`, one row a quantity whose truth is known (`oracle_width` may be missing);
        `rank`, the share of draws below the truth, for rows that are independent of one another;
        `large`, for effects: whether the true one is as large as power is asked of.
    sources : tuple of str
        Patterns of the files in models/ whose change makes a table stale.
    limits : dict
        Lowest and highest coverage allowed, by scenario; "" for any other.
    handful : int
        Studies that the quick tests fit.
    """

    study: str
    sources: tuple[str, ...]
    limits: dict[str, tuple[float, float]]
    handful: int = 2


BIRDS = "phenology.models.birds_calibration"
UNTOLD = (0.0, 1.0)  # a simple approach without an interval, kept for its bias
OWN_FAMILY = {"": (0.85, 0.95), "individual-based": (0.80, 0.97)}

CALIBRATIONS: dict[str, Calibration] = {
    "season": Calibration(
        "phenology.models.season_calibration:calibration_study",
        ("season*.py",),
        {"": (0.87, 0.93), "individual-based": (0.80, 0.97)},
        handful=1,
    ),
    "season_sampled": Calibration(
        "phenology.models.season_calibration:sampled_study",
        ("season*.py", "inference.py"),
        {"": (0.87, 0.93)},
        handful=1,
    ),
    "season_mixed": Calibration(
        "phenology.models.season_calibration_mixed:mixed_study",
        ("season*.py",),
        {
            "": (0.80, 0.97),
            "simple: counts alone, local": UNTOLD,
            "simple: counts alone, passage": UNTOLD,
        },
        handful=1,
    ),
    "support": Calibration(
        "phenology.models.support_calibration:calibration_study",
        ("support*.py", "mixed_*.py", "laplace.py"),
        {
            "": (0.80, 0.97),
            "simple: feeders by need": UNTOLD,
            "simple: feeders by quality": UNTOLD,
        },
    ),
    "lean_mass": Calibration(
        f"{BIRDS}:lean_mass_study",
        ("lean_mass*.py", "measurement.py", "laplace.py"),
        OWN_FAMILY
        | {
            "simple: fat-free birds": UNTOLD,
            "simple: fat-free birds, individual-based": UNTOLD,
        },
    ),
    "deposition": Calibration(
        f"{BIRDS}:deposition_study",
        ("fuel_deposition*.py", "laplace.py"),
        OWN_FAMILY | {"simple: last less first mass": UNTOLD},
    ),
    "survival": Calibration(
        f"{BIRDS}:survival_study", ("survival*.py", "recaptures.py", "laplace.py"), OWN_FAMILY
    ),
    "stopover": Calibration(
        f"{BIRDS}:stopover_study",
        ("stopover*.py", "importance.py", "laplace.py"),
        OWN_FAMILY
        | {
            "simple: minimum stay": UNTOLD,
            "simple: summed rates": UNTOLD,
            "simple: after capture, one class": UNTOLD,
        },
    ),
    "role": Calibration(
        f"{BIRDS}:role_study",
        ("role*.py", "laplace.py"),
        OWN_FAMILY | {"equal fuel": (0.85, 1.0)},  # no contrast is to be made out of none
    ),
}


def source_hash(calibration: Calibration) -> str:
    """Hash of the model's code, by which a stale table is known; words about it do not count."""
    digest = hashlib.sha256()
    for path in sorted({path for name in calibration.sources for path in MODELS_FOLDER.glob(name)}):
        digest.update(path.name.encode() + _code(path.read_text(encoding="utf-8")).encode())
    return digest.hexdigest()[:16]


def _code(source: str) -> str:
    r"""Source without docstrings, lines of comment and blank lines.

    Examples
    --------
    >>> _code("def half(x):\n    'Half of x.'\n\n    # why\n    return x / 2\n")
    'def half(x):\n    return x / 2'
    """
    described = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    words: set[int] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, described) and ast.get_docstring(node, clean=False) is not None:
            words |= set(range(node.body[0].lineno, (node.body[0].end_lineno or 0) + 1))
    lines = enumerate(source.splitlines(), 1)
    kept = [line.rstrip() for number, line in lines if number not in words]
    return "\n".join(line for line in kept if line and not line.lstrip().startswith("#"))


def one_study(study: str, seed: int) -> pd.DataFrame:
    """Simulate and fit one study; the rows carry its seed, and there are none if it is refused."""
    module, function = study.split(":")
    try:
        rows: pd.DataFrame = getattr(import_module(module), function)(seed)
    except Refused:
        return pd.DataFrame(columns=[*STUDY_COLUMNS, "study"])
    return rows.assign(study=seed)


def misses(calibration: Calibration, table: pd.DataFrame) -> pd.DataFrame:
    """Rows of a table whose coverage misses its limits by more than chance.

    A row holds if its coverage lies within the limits, or if the nominal 0.90 lies within three
    Monte Carlo errors of it.

    Parameters
    ----------
    calibration : Calibration
    table : DataFrame
        From `summarise`.

    Returns
    -------
    DataFrame
        The rows that miss.

    Examples
    --------
    >>> table = pd.DataFrame({"scenario": ["dense", "dense"], "coverage": [0.7, 0.85],
    ...     "coverage_low": [0.65, 0.75], "coverage_high": [0.75, 0.95]})
    >>> strict = Calibration("", (), {"": (0.87, 0.93)})
    >>> misses(strict, table)["coverage"].tolist()
    [0.7]
    """
    default = calibration.limits[""]
    limits = pd.DataFrame(
        [calibration.limits.get(scenario, default) for scenario in table["scenario"]],
        columns=["lowest", "highest"],
        index=table.index,
    )
    error = (table["coverage_high"] - table["coverage_low"]) / (2 * 1.96)
    outside = (table["coverage"] < limits["lowest"]) | (table["coverage"] > limits["highest"])
    return table[outside & ((table["coverage"] - NOMINAL).abs() > 3 * error)]


def run(model: str, studies: int, seed: int, resume: bool, jobs: int) -> pd.DataFrame:
    """Fit `studies` simulated studies, keep each as it ends, and write the table."""
    stamp = source_hash(CALIBRATIONS[model])
    kept = _kept_file(model, stamp, seed)
    TABLES.mkdir(exist_ok=True)
    if not resume:
        kept.unlink(missing_ok=True)
    done = _fit_and_keep(model, kept, range(seed, seed + studies), jobs)
    told = [done[number] for number in range(seed, seed + studies) if len(done[number])]
    if not told:
        raise SystemExit(f"{model}: every study was refused")
    table = summarise(pd.concat(told, ignore_index=True)).assign(
        model=model,
        refused=studies - len(told),
        seed=seed,
        date=f"{datetime.now(UTC):%Y-%m-%d}",
        commit=_commit(),
        source_hash=stamp,
    )
    path = TABLES / f"{model}.csv"
    if resume and path.exists():
        former = pd.read_csv(path, keep_default_na=False)
        if "confirmed" in former and former["source_hash"].iloc[0] == stamp:
            table["confirmed"] = former["confirmed"].iloc[0]  # others are of an earlier source
    table.round(4).to_csv(path, index=False)
    return table


def confirm(model: str, studies: int, jobs: int) -> pd.DataFrame:
    """Fit kept studies of a table again; if they agree but for chance, renew its hash.

    Returns
    -------
    DataFrame
        From `agreement`, with how many studies are newly refused and newly told.
    """
    path = TABLES / f"{model}.csv"
    table = pd.read_csv(path, keep_default_na=False, dtype=str)
    seed = int(table["seed"].iloc[0])
    former = _kept_file(model, table["source_hash"].iloc[0], seed)
    stamp = source_hash(CALIBRATIONS[model])
    kept = _kept_file(model, stamp, seed)
    if kept == former:
        raise SystemExit(f"{model}: its table is of this source: there is nothing to confirm")
    done = _read_kept(former)
    if len(done) < studies:
        raise SystemExit(f"{model}: {len(done)} studies of its table are kept: calibrate anew")
    chosen = sorted(done)[:studies]
    again = _fit_and_keep(model, kept, chosen, jobs)
    told = [number for number in chosen if len(again[number]) and len(done[number])]
    if not told:
        raise SystemExit(f"{model}: all {studies} studies are refused: confirm by more of them")
    before, after = (
        pd.concat([fits[number] for number in told], ignore_index=True) for fits in (done, again)
    )
    lost, won = (
        sum(len(one[number]) == 0 < len(other[number]) for number in chosen)
        for one, other in ((again, done), (done, again))
    )
    try:
        found = agreement(before, after).assign(newly_refused=lost, newly_told=won)
    except ValueError as reason:
        raise SystemExit(f"{model}: {reason}: calibrate anew") from None
    if not agree(found):
        raise SystemExit(f"{found.to_string(index=False)}\n{model}: not alike: calibrate anew")
    with kept.open("a") as log:
        for number in sorted(set(done) - set(again)):
            _keep(log, number, done[number])
    former.unlink()
    table.assign(source_hash=stamp, confirmed=str(studies), commit=_commit()).to_csv(
        path, index=False
    )
    return found


def _kept_file(model: str, stamp: str, seed: int) -> Path:
    return TABLES / f".{model}-{stamp}-{seed}.jsonl"


def _fit_and_keep(
    model: str, kept: Path, numbers: Sequence[int], jobs: int
) -> dict[int, pd.DataFrame]:
    """All kept studies, once those of these numbers that are not there yet are fitted."""
    done = _read_kept(kept)
    wanted = [number for number in numbers if number not in done]
    study = CALIBRATIONS[model].study
    with kept.open("a") as log:
        for ended, (number, rows) in enumerate(_fitted(study, wanted, jobs), 1):
            _keep(log, number, rows)
            sys.stderr.write(f"\r{model}: {ended} of {len(wanted)} studies")
    sys.stderr.write("\n")
    return _read_kept(kept)


def _keep(log: TextIO, number: int, rows: pd.DataFrame) -> None:
    log.write(json.dumps([number, rows.to_json(orient="records", double_precision=15)]) + "\n")
    log.flush()


def _fitted(study: str, seeds: list[int], jobs: int) -> Iterator[tuple[int, pd.DataFrame]]:
    """Studies as they end; stopped by Ctrl-C, none that waits is begun."""
    if jobs == 1:
        for seed in seeds:
            yield seed, one_study(study, seed)
        return
    os.environ.update(ONE_THREAD)  # for the workers: several, each on a core
    with ProcessPoolExecutor(jobs, get_context("spawn"), end_with_parent) as workers:
        started = {workers.submit(one_study, study, seed): seed for seed in seeds}
        try:
            for future in as_completed(started):
                yield started[future], future.result()
        except BaseException:
            workers.shutdown(wait=False, cancel_futures=True)
            raise


def _read_kept(kept: Path) -> dict[int, pd.DataFrame]:
    if not kept.exists():
        return {}
    done = {}
    for line in kept.read_text().splitlines():
        try:
            number, rows = json.loads(line)
        except ValueError:  # the line being written when the run was stopped
            continue
        done[number] = pd.DataFrame(json.loads(rows))
    return done


def _commit() -> str:
    command = ["git", "rev-parse", "--short", "HEAD"]
    told = subprocess.run(  # noqa: S603
        command, cwd=MODELS_FOLDER, capture_output=True, text=True, check=False
    )
    return told.stdout.strip()


def main() -> None:
    """Parse the command line and print the table."""
    parser = argparse.ArgumentParser(prog="python -m phenology.calibrate", description=__doc__)
    parser.add_argument("model", choices=sorted(CALIBRATIONS))
    parser.add_argument("--studies", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--resume", action="store_true")
    parser.add_argument("--confirm", type=int, metavar="N", help="kept studies to fit again")
    asked = parser.parse_args()
    if asked.confirm:
        table = confirm(asked.model, asked.confirm, asked.jobs)
    else:
        table = run(asked.model, asked.studies, asked.seed, asked.resume, asked.jobs)
    sys.stdout.write(table.to_string(index=False, float_format="%.3f") + "\n")


if __name__ == "__main__":
    main()
