"""A study of several regions: each one task with a seed of its own, on Dask where it pays."""

from __future__ import annotations

import hashlib
from contextlib import contextmanager
from dataclasses import replace
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.assess.assessment import Assessment
from phenology.assess.draws_file import ONE_FILE, JoinedDraws
from phenology.assess.kept_regions import (
    TABLES,
    Part,
    folder_of,
    is_whole,
    read_bytes,
    read_part,
    write_bytes,
    write_part,
)
from phenology.assess.run import assess_study
from phenology.assess.season import SPECIES_FITTED
from phenology.assess.season_curves import join_curves
from phenology.compilation import use_compilation_cache
from phenology.compute import ONE_THREAD, Progress, quiet
from phenology.errors import StudyError
from phenology.memory import give_back_memory
from phenology.quantities import WHOLE_REGION
from phenology.regions import part_of, regions_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from phenology.study.study import Study

FREE_PORT = "127.0.0.1:0"  # else Dask warns where another run is at work


def assess_regions(
    study: Study,
    seed: int | None = None,
    jobs: int = 1,
    progress: Progress = quiet,
    *,
    scheduler: str | None = None,
    kept: Path | None = None,
) -> Assessment:
    """Answer a study region by region; one region is answered as `assess_study` does.

    Parameters
    ----------
    study : Study
    seed, jobs, progress
        As `assess_study`; `jobs` are worker processes of one thread each.
    scheduler : str, optional
        Address of a running Dask scheduler, tcp://HOST:PORT.
    kept : Path, optional
        Folder in which each finished region is kept, so that a stopped run goes on from there.
        A region is told from its file also in a run that was never stopped: both are alike. Its
        draws stay there until they are asked for.

    Returns
    -------
    Assessment
        Rows of the estimates that belong to no single site say "all of REGION" in `site`; draws
        carry the region before their name.

    Raises
    ------
    StudyError
        If no region can be answered, or the scheduler cannot be reached.
    """
    region_of = regions_of(study.sites)
    names = sorted(region_of.unique())
    if len(names) < 2:
        return assess_study(study, seed, jobs, progress)
    seed = study.options.seed if seed is None else seed
    give_back_memory()
    with _folder(kept) as folder:
        waiting = {
            name: region_of.index[region_of == name].to_list()
            for name in names
            if not is_whole(folder_of(folder, name))
        }
        finished = len(names) - len(waiting)
        for _ in _answer_all(study, waiting, seed, jobs, scheduler, folder):
            finished += 1
            progress(f"Regions: {finished} of {len(names)}", 0.05 + 0.8 * finished / len(names))
        parts = {name: read_part(folder_of(folder, name)) for name in names}
        answered = {name: part for name, part in parts.items() if isinstance(part, Part)}
        draws = JoinedDraws({name: folder_of(folder, name) / ONE_FILE for name in answered})
        refused = [part for part in parts.values() if isinstance(part, str)]
        told = _together(study, seed, answered, refused)
        return replace(told, draws=draws if kept is not None else dict(draws))


def region_seed(seed: int, name: str) -> int:
    """A seed that depends on the study's and on the region's name, not on the order of work."""
    return int.from_bytes(hashlib.sha256(f"{seed} {name}".encode()).digest()[:4], "big") >> 1


def answer_region(study: Study, seed: int) -> Part | str:
    """One region's task; what the user must know of it instead comes back in words."""
    give_back_memory()
    use_compilation_cache()
    try:
        told = assess_study(study, seed, progress=_give_back_between_stages)
    except StudyError as error:
        return error.what
    return Part(
        **{table: getattr(told, table) for table in TABLES},
        site_days=told.site_days,
        draws=told.draws,
        narrowed=told.narrowed,
        versions=told.versions,
        cite=told.cite,
    )


def keep_region(study: Study, seed: int, name: str, folder: Path) -> None:
    """One region's task where the run's folder can be seen: it is kept there."""
    write_part(answer_region(study, seed), folder_of(folder, name), name)


def send_region(study: Study, seed: int, name: str) -> dict[str, npt.NDArray[np.uint8]]:
    """One region's task elsewhere: what would be kept comes back, a file a name."""
    with TemporaryDirectory(prefix="site-support-region-") as folder:
        keep_region(study, seed, name, Path(folder))
        give_back_memory()
        return read_bytes(folder_of(Path(folder), name))


def _give_back_between_stages(what: str, _: float) -> None:
    if not what.startswith(SPECIES_FITTED):  # species share compiled models
        give_back_memory()


def _answer_all(
    study: Study,
    waiting: dict[str, list[str]],
    seed: int,
    jobs: int,
    scheduler: str | None,
    folder: Path,
) -> Iterator[str]:
    """Names of regions as they are kept; only rows of those at work or next in turn are copied."""
    if scheduler is None and (jobs == 1 or len(waiting) < 2):
        for name, sites in waiting.items():
            keep_region(part_of(study, sites), region_seed(seed, name), name, folder)
            yield name
        return
    from distributed import as_completed

    left = iter(waiting.items())
    with _client(min(jobs, len(waiting)), scheduler) as client:
        at_work: Any = as_completed()  # type: ignore[no-untyped-call]
        name_of: dict[Any, str] = {}

        def hand_out() -> None:
            workers = max(jobs, sum(client.nthreads().values()))
            for name, sites in islice(left, max(workers + 1 - at_work.count(), 0)):
                task: Any = (part_of(study, sites), region_seed(seed, name), name)
                if scheduler is None:
                    future = client.submit(keep_region, *task, folder.resolve(), pure=False)
                else:
                    future = client.submit(send_region, *task, pure=False)
                name_of[future] = name
                at_work.add(future)

        hand_out()
        for future in at_work:
            name, sent = name_of.pop(future), future.result()
            if sent is not None:
                write_bytes(sent, folder_of(folder, name))
                del sent  # or it would stay while the next is waited for
            future.release()
            give_back_memory()
            yield name
            hand_out()


@contextmanager
def _client(jobs: int, scheduler: str | None) -> Iterator[Any]:
    import dask
    from distributed import Client, LocalCluster

    if scheduler is not None:
        try:
            client = Client(scheduler, timeout=5)  # type: ignore[no-untyped-call]
        except (OSError, ValueError):
            raise StudyError(
                f"No Dask scheduler answers at {scheduler}.",
                "Start one, or leave --scheduler out to work on this machine.",
            ) from None
        with client:
            yield client
        return
    settings = {"distributed.nanny.pre-spawn-environ": ONE_THREAD}
    with (
        dask.config.set(settings),
        LocalCluster(  # type: ignore[no-untyped-call]
            n_workers=jobs, threads_per_worker=1, dashboard_address=FREE_PORT
        ) as cluster,
        Client(cluster) as client,  # type: ignore[no-untyped-call]
    ):
        yield client


@contextmanager
def _folder(kept: Path | None) -> Iterator[Path]:
    if kept is not None:
        kept.mkdir(parents=True, exist_ok=True)
        yield kept
        return
    with TemporaryDirectory(prefix="site-support-regions-") as folder:
        yield Path(folder)


def _together(study: Study, seed: int, answered: dict[str, Part], refused: list[str]) -> Assessment:
    """All regions as one assessment, in the order of their names, but for the draws."""
    if not answered:
        raise StudyError(f"No region can be answered: {refused[0]}", "See 'site-support check'.")
    every = list(answered.values())
    estimates = [
        part.estimates.assign(
            site=part.estimates["site"].where(part.estimates["site"] != "", WHOLE_REGION + name)
        )
        for name, part in answered.items()
    ]
    diagnostics = [
        part.diagnostics.assign(model=name + ": " + part.diagnostics["model"])
        for name, part in answered.items()
    ]
    narrowed = dict.fromkeys(line for part in every for line in part.narrowed)
    return Assessment(
        study=study,
        site_days=_joined_site_days([part.site_days for part in every]),
        estimates=pd.concat(estimates, ignore_index=True),
        captures=pd.concat([part.captures for part in every]).sort_index(),
        curves=join_curves([part.curves for part in every]),
        draws={},
        diagnostics=pd.concat(diagnostics, ignore_index=True),
        narrowed=(*narrowed, *refused),
        seed=seed,
        versions=every[0].versions,
        inputs=study.inputs,
        cite=tuple(dict.fromkeys(source for part in every for source in part.cite)),
    )


def _joined_site_days(parts: list[xr.Dataset]) -> xr.Dataset:
    """Site-days of all regions; where a region has no such group or day, nothing was caught."""
    if len({part["nectar"].attrs["nectar_is"] for part in parts if "nectar" in part}) > 1:
        parts = [_in_sugar_alone(part) for part in parts]
    species = {
        group: name
        for part in parts
        for group, name in zip(part["group"].values, part["species"].values, strict=True)
    }
    counted = ("captures", "effort_hours", "full", "sampled")
    joined = xr.concat(
        [part.drop_vars("species") for part in parts],
        dim="site",
        data_vars="all",
        coords="minimal",
        compat="override",
        join="outer",
        combine_attrs="override",
    )
    filled = {
        name: joined[name].fillna(0).astype(parts[0][name].dtype)
        for name in counted
        if name in joined
    }
    names = [species[group] for group in joined["group"].values]
    joined = joined.assign(filled).assign_coords(species=("group", names))
    joined.attrs["effort_known"] = min(int(part.attrs["effort_known"]) for part in parts)
    sources = [part.attrs["attribution"] for part in parts if "attribution" in part.attrs]
    if sources:
        joined.attrs["attribution"] = " ".join(dict.fromkeys(sources))
    for name, variable in joined.variables.items():
        if "notes" in variable.attrs:
            told = [part[name].attrs.get("notes", "") for part in parts if name in part]
            lines = dict.fromkeys(line for notes in told for line in notes.split("\n") if line)
            variable.attrs["notes"] = "\n".join(lines)
    return joined


def _in_sugar_alone(part: xr.Dataset) -> xr.Dataset:
    """Nectar told in flowers, no sugar being known, left out: beside sugar it would be misread."""
    if "nectar" not in part or part["nectar"].attrs["nectar_is"] == "absolute":
        return part
    names = [name for name in part if str(name).startswith("nectar")]
    flowers = part["open_flowers_per_m2"].copy(deep=False)
    told = (
        f"No sugar is given for the plants of {', '.join(part['site'].values)}: no nectar is told."
    )
    flowers.attrs["notes"] = "\n".join([*flowers.attrs["notes"].split("\n"), told])
    return part.drop_vars(names).assign(open_flowers_per_m2=flowers)
