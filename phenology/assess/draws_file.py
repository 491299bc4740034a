"""Draws of all models in one file, a group a model, read one at a time.

A study of several regions has a file for each, as it was written when the region ended.
"""

from __future__ import annotations

import shutil
from collections import ChainMap
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

from phenology.errors import StudyError

if TYPE_CHECKING:
    from pathlib import Path

    import xarray as xr

ONE_FILE, BY_REGION = "draws.nc", "draws"


def write_draws(draws: Mapping[str, xr.Dataset], folder: Path) -> None:
    """Write datasets as groups of a NetCDF file, numbers to seven digits.

    Parameters
    ----------
    draws : mapping of str to Dataset
        By model. Names may hold any sign.
    folder : Path
        Gains draws.nc; of `JoinedDraws` a copy of each file instead, draws/REGION.nc.

    Notes
    -----
    Not compressed: a sixth would be saved in nine times the time.
    """
    import h5netcdf

    from phenology.netcdf import write_netcdf

    if isinstance(draws, JoinedDraws):
        (folder / BY_REGION).mkdir()
        for region, path in draws.files.items():
            shutil.copyfile(path, folder / BY_REGION / f"{quote(region, safe=' ')}.nc")
        return
    with h5netcdf.File(folder / ONE_FILE, "w"):  # without draws, a file without groups
        pass
    for name, dataset in draws.items():
        write_netcdf(dataset, folder / ONE_FILE, group=quote(name, safe=" "), compressed=False)


def has_draws(folder: Path) -> bool:
    """Whether `write_draws` was here."""
    return (folder / ONE_FILE).exists() or (folder / BY_REGION).is_dir()


def read_draws(folder: Path) -> Mapping[str, Any]:
    """What `write_draws` wrote; each dataset is read when it is asked for."""
    if (folder / BY_REGION).is_dir():
        files = sorted((folder / BY_REGION).glob("*.nc"))
        return JoinedDraws({unquote(path.stem): path for path in files})
    return StoredDraws(folder / ONE_FILE)


class StoredDraws(Mapping[str, Any]):
    """The datasets of one file by name; each is read when it is asked for.

    Parameters
    ----------
    path : Path
    before : str
        Set before the names of the file.
    """

    def __init__(self, path: Path, before: str = "") -> None:
        self._path = path
        self._before = before

    def __getitem__(self, name: str) -> xr.Dataset:
        import xarray as xr

        if name not in tuple(self):
            raise KeyError(name)
        group = quote(name.removeprefix(self._before), safe=" ")
        try:
            return xr.load_dataset(self._path, group=group, engine="h5netcdf")
        except (OSError, ValueError, RuntimeError):
            raise self._damaged() from None

    def __iter__(self) -> Iterator[str]:
        import h5netcdf

        try:
            with h5netcdf.File(self._path) as file:
                return iter([self._before + unquote(group) for group in file.groups])
        except (OSError, ValueError, RuntimeError):
            raise self._damaged() from None

    def _damaged(self) -> StudyError:
        return StudyError(f"{self._path} is damaged.", "Run the study again.")

    def __len__(self) -> int:
        return sum(1 for _ in self)


class JoinedDraws(ChainMap[str, Any]):
    """Draws of several regions, each in a file of its own; names begin with the region's.

    Parameters
    ----------
    files : mapping of str to Path
        By region.
    """

    def __init__(self, files: Mapping[str, Path]) -> None:
        super().__init__(*(StoredDraws(path, f"{name}: ") for name, path in files.items()))  # type: ignore[arg-type]
        self.files = dict(files)
