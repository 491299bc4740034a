"""Answers of single regions, kept as files until the run is whole."""

from __future__ import annotations

import hashlib
import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.assess.draws_file import read_draws, write_draws
from phenology.errors import StudyError
from phenology.netcdf import write_netcdf

if TYPE_CHECKING:
    from collections.abc import Mapping

    from phenology.study.study import Study

_WHOLE = "whole.json"
TABLES = ("estimates", "captures", "curves", "diagnostics")


@dataclass(frozen=True)
class Part:
    """What one region taught, without its sheets."""

    estimates: pd.DataFrame
    captures: pd.DataFrame
    curves: pd.DataFrame
    diagnostics: pd.DataFrame
    site_days: xr.Dataset
    draws: Mapping[str, xr.Dataset]
    narrowed: tuple[str, ...]
    versions: dict[str, str]
    cite: tuple[str, ...]


def kept_folder(out: Path, study: Study, seed: int) -> Path:
    """Where the regions of a run are kept until it is whole: beside its place, by what it reads.

    What an earlier run of other sheets left there is removed.
    """
    from phenology import __version__

    text = json.dumps([__version__, sorted(study.inputs.items()), seed], ensure_ascii=False)
    stamp = hashlib.sha256(text.encode()).hexdigest()[:12]
    here = out.parent / f".{out.name}-regions-{stamp}"
    for left in out.parent.glob(f".{out.name}-regions-*"):
        if left != here:
            shutil.rmtree(left, ignore_errors=True)
    return here


def folder_of(kept: Path, region: str) -> Path:
    """Where in that folder one region is kept; its name may hold any sign."""
    return kept / hashlib.sha256(region.encode()).hexdigest()[:16]


def write_part(part: Part | str, folder: Path, region: str) -> None:
    """Keep what a region taught, or why it taught nothing.

    The file written last says that all of it is there.
    """
    folder.mkdir(exist_ok=True)
    told: dict[str, Any] = {"region": region}
    if isinstance(part, str):
        told["refused"] = part
    else:
        for table in TABLES:
            getattr(part, table).to_parquet(folder / f"{table}.parquet")
        write_netcdf(part.site_days, folder / "site_days.nc")
        write_draws(part.draws, folder)
        told |= {"narrowed": part.narrowed, "versions": part.versions, "cite": part.cite}
    (folder / _WHOLE).write_text(json.dumps(told), encoding="utf-8")


def read_bytes(folder: Path) -> dict[str, npt.NDArray[np.uint8]]:
    """All files of a kept region, by name, to be sent."""
    return {path.name: np.fromfile(path, np.uint8) for path in folder.iterdir()}


def write_bytes(files: dict[str, npt.NDArray[np.uint8]], folder: Path) -> None:
    """Keep a region that was sent, its last file last."""
    folder.mkdir(exist_ok=True)
    for name in sorted(files, key=lambda name: name == _WHOLE):
        files[name].tofile(folder / name)


def is_whole(folder: Path) -> bool:
    """Whether a kept region can be read: the disk may have been full, or failed since."""
    try:
        part = read_part(folder)
        if isinstance(part, Part):
            list(part.draws)
    except (OSError, ValueError, KeyError, TypeError, RuntimeError, StudyError):
        return False
    return True


def read_part(folder: Path) -> Part | str:
    """What was kept; its draws stay in their file until they are asked for."""
    told = json.loads((folder / _WHOLE).read_text(encoding="utf-8"))
    if "refused" in told:
        return f"{told['region']}: {told['refused']}"
    return Part(
        **{table: pd.read_parquet(folder / f"{table}.parquet") for table in TABLES},
        site_days=xr.load_dataset(folder / "site_days.nc", engine="h5netcdf"),
        draws=read_draws(folder),
        narrowed=tuple(told["narrowed"]),
        versions=told["versions"],
        cite=tuple(told["cite"]),
    )
