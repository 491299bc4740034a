"""Datasets as CF NetCDF."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    import xarray as xr


def write_netcdf(dataset: xr.Dataset, path: Path, group: str | None = None) -> None:
    """Write a dataset, compressed, numbers to seven digits; with a group, beside others."""
    encoding: dict[Any, dict[str, Any]] = {}
    for name, variable in dataset.variables.items():
        if name in dataset.coords:
            encoding[name] = {"_FillValue": None}
        elif variable.dtype.kind == "f":
            encoding[name] = {"dtype": "float32"} | ({"zlib": True} if variable.ndim else {})
        elif variable.dtype.kind in "iub":
            encoding[name] = {"zlib": True} if variable.ndim else {}
    dataset.assign_attrs(Conventions="CF-1.11").to_netcdf(
        path, mode="w" if group is None else "a", group=group, engine="h5netcdf", encoding=encoding
    )
