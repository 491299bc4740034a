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

    Notes
    -----
    Not compressed: a sixth would be saved in nine times the time.
    """
    import h5netcdf

    from phenology.netcdf import write_netcdf

    with h5netcdf.File(path, "w"):  # without draws, a file without groups
        pass
    for name, dataset in draws.items():
        write_netcdf(dataset, path, group=quote(name, safe=" "), compressed=False)


class StoredDraws(Mapping[str, Any]):
    """The datasets of `write_draws` by name; each is read when it is asked for.

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
