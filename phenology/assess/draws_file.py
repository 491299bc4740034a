"""Draws of all models in one file, a group a model, read one at a time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

from phenology.errors import StudyError

if TYPE_CHECKING:
    from pathlib import Path

    import xarray as xr


def write_draws(draws: Mapping[str, xr.Dataset], path: Path) -> None:
    """Write datasets as groups of one NetCDF file, numbers to seven digits.

    Parameters
    ----------
    draws : mapping of str to Dataset
        By model. Names may hold any sign.
    path : Path
        Does not exist yet.
    """
    from phenology.netcdf import write_netcdf

    for name, dataset in draws.items():
        write_netcdf(dataset, path, group=quote(name, safe=" "))


class StoredDraws(Mapping[str, Any]):
    """The datasets of `write_draws` by name; each is read when it is asked for.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    def __getitem__(self, name: str) -> xr.Dataset:
        import xarray as xr

        if name not in tuple(self):
            raise KeyError(name)
        try:
            return xr.load_dataset(self._path, group=quote(name, safe=" "), engine="h5netcdf")
        except (OSError, ValueError, RuntimeError):
            raise self._damaged() from None

    def __iter__(self) -> Iterator[str]:
        import h5netcdf

        try:
            with h5netcdf.File(self._path) as file:
                return iter([unquote(group) for group in file.groups])
        except (OSError, ValueError, RuntimeError):
            raise self._damaged() from None

    def _damaged(self) -> StudyError:
        return StudyError(f"{self._path} is damaged.", "Run the study again.")

    def __len__(self) -> int:
        return sum(1 for _ in self)
