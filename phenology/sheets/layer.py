"""Polygons of sites as a sheet: their attributes, and a point inside each in WGS84."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from phenology.errors import StudyError
from phenology.sheets.grid import Grid, grid_of_rows

if TYPE_CHECKING:
    import geopandas as gpd

LAYERS = {".gpkg": b"SQLite format 3\x00", ".geojson": b"{"}
PLACE = ("latitude", "longitude")
_WGS84 = "EPSG:4326"


def read_features(path: Path) -> gpd.GeoDataFrame:
    """Read a GeoPackage or GeoJSON file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    GeoDataFrame

    Raises
    ------
    StudyError
        If the file is not what its name says. The content is looked at first: the reader tells
        formats by content, and some of them name other files and addresses to read.
    """
    import geopandas as gpd

    sign = LAYERS.get(path.suffix.lower())
    with path.open("rb") as stream:
        beginning = stream.read(4096).removeprefix(b"\xef\xbb\xbf").lstrip()
    again = "Save it again from the program it was drawn in, with its projection named."
    if sign is None or not beginning.startswith(sign):
        raise StudyError(
            f"{path.name} is no GeoPackage or GeoJSON file, whatever its name says.", again
        )
    try:
        with warnings.catch_warnings():  # what it warns of, a shape it drops, is told as missing
            warnings.simplefilter("ignore")
            layer = gpd.read_file(path, engine="pyogrio")
    except Exception as error:  # noqa: BLE001 — the reader raises many kinds, all of the file
        reason = (str(error).splitlines() or ["it is damaged"])[0]
        raise StudyError(f"{path.name} cannot be read as a layer: {reason}.", again) from None
    if not isinstance(layer, gpd.GeoDataFrame):
        raise StudyError(f"{path.name} has no shapes.", again)
    return layer


def read_site_polygons(path: Path) -> Grid:
    """Read polygons of sites as a sheet whose first row holds the names of the attributes.

    Parameters
    ----------
    path : Path
        A polygon a site, with at least the attribute `site`.

    Returns
    -------
    Grid
        The attributes as text, then latitude and longitude of a point inside the polygon
        [degrees, WGS84]; feature n stands in row n + 1.

    Raises
    ------
    StudyError
        If the file cannot be read, or does not say which coordinates it uses.
    """
    layer = read_features(path)
    if layer.crs is None:
        raise StudyError(
            f"{path.name} does not say which coordinates it uses, so its sites cannot be placed.",
            "Name the CRS it was drawn in; it cannot be guessed.",
        )
    shapes = layer.geometry
    points = shapes.where(~(shapes.isna() | shapes.is_empty)).representative_point().to_crs(_WGS84)
    names = [name for name in layer.columns if name not in (shapes.name, *PLACE)]
    attributes = zip(*(layer[name] for name in names), strict=True) if names else [()] * len(layer)
    rows = [[*map(str, names), *PLACE]]
    for values, point in zip(attributes, points, strict=True):
        placed = point is not None and not point.is_empty
        place = [f"{point.y:.6f}", f"{point.x:.6f}"] if placed else ["", ""]
        rows.append([*(_attribute_text(value) for value in values), *place])
    return grid_of_rows(path.name, "", rows)


def _attribute_text(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return "" if pd.isna(value) else f"{value:.15g}"
    return "" if value is None or value is pd.NA or value is pd.NaT else str(value)
