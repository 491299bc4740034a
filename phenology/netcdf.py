"""Datasets as CF NetCDF."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    import xarray as xr


def write_netcdf(
    dataset: xr.Dataset, path: Path, group: str | None = None, *, compressed: bool = True
) -> None:
    """Write a dataset, numbers to seven digits; with a group, beside others."""
    packed = {"zlib": True} if compressed else {}
    encoding: dict[Any, dict[str, Any]] = {}
    for name, variable in dataset.variables.items():
        if name in dataset.coords:
            encoding[name] = {"_FillValue": None}
        elif variable.dtype.kind == "f":
            encoding[name] = {"dtype": "float32"} | (packed if variable.ndim else {})
        elif variable.dtype.kind in "iub":
            encoding[name] = packed if variable.ndim else {}
    dataset.assign_attrs(Conventions="CF-1.11").to_netcdf(
        path, mode="w" if group is None else "a", group=group, engine="h5netcdf", encoding=encoding
    )
