"""Reading polygon layers, with a finding for every shape or projection that cannot be trusted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenology.errors import StudyError
from phenology.landscape import WGS84, site_projection
from phenology.sheets.finding import Finding
from phenology.sheets.layer import read_features

if TYPE_CHECKING:
    import geopandas as gpd

FAR_KM = 100.0  # a layer farther than this from every site is in another place, or mistakes its CRS
OVERLAP_SHARE = 0.01  # of the smaller polygon; less is the width of a drawn line
TEXT_COLUMN = {"habitat": "kind", "events": "kind", "sites": "site"}
_MAKE_AGAIN = "Save it again from the program it was drawn in, with its projection named."


def read_layer(
    path: Path, sheet: str, sites: pd.DataFrame
) -> tuple[gpd.GeoDataFrame | None, list[Finding]]:
    """Read sites.gpkg, habitat.gpkg or events.gpkg and check it.

    Parameters
    ----------
    path : Path
    sheet : {"sites", "habitat", "events"}
    sites : DataFrame
        Clean rows of the sites sheet, with latitude and longitude.

    Returns
    -------
    GeoDataFrame or None
        Valid polygons in WGS84, `kind` (or `site`) as text, `from` and `until` as dates;
        None if the layer as a whole cannot be placed.
    list of Finding
        Rows count features from 1.

    Raises
    ------
    StudyError
        If the file cannot be read as a layer, or has no column `kind` (or `site`).
    """
    layer = read_features(path)
    column = TEXT_COLUMN[sheet]
    if column not in layer:
        raise StudyError(
            f"{path.name} has no column '{column}' beside its polygons.",
            f"Add '{column}' to every polygon.",
        )
    misplaced = _misplaced(layer, sites)
    if misplaced:
        kind, message, suggestion = misplaced
        whole = Finding(
            sheet,
            path.name,
            "",
            None,
            "geometry",
            str(layer.crs or ""),
            kind,
            "impossible",
            message,
            suggestion,
            "set aside",
        )
        return None, [whole]
    layer = layer.to_crs(WGS84)
    layer[column] = layer[column].astype("str")
    for name in ("from", "until"):
        given = layer[name] if name in layer else pd.Series(pd.NaT, index=layer.index)
        layer[name] = pd.to_datetime(given, errors="coerce").astype("datetime64[s]")
    mended, findings = _mend_shapes(layer, sheet, path.name)
    findings += _find_overlaps(mended, sheet, path.name, sites)
    return mended[[column, "from", "until", "geometry"]], findings


def _misplaced(layer: gpd.GeoDataFrame, sites: pd.DataFrame) -> tuple[str, str, str] | None:
    """Why the layer as a whole cannot be placed: kind, message, suggestion."""
    if layer.crs is None:
        return (
            "no projection",
            "The layer does not say which coordinates it uses, so nothing in it can be placed.",
            "Name the CRS it was drawn in; it cannot be guessed.",
        )
    west, south, east, north = layer.total_bounds
    if layer.crs.is_geographic and (max(abs(west), abs(east)) > 360 or max(-south, north) > 90):
        return (
            "mistaken projection",
            f"The layer says it is in degrees, but its coordinates reach {east:.0f}, {north:.0f}.",
            "They look like metres: name the projected CRS it was drawn in.",
        )
    box = layer.to_crs(WGS84).total_bounds
    if not np.isfinite(box).all():
        return ("mistaken projection", "The layer's coordinates lie outside its CRS.", _MAKE_AGAIN)
    distance_km = _distance_to_box_km(sites, box)
    if distance_km > FAR_KM:
        return (
            "mistaken projection",
            f"The layer lies {distance_km:.0f} km from the nearest site.",
            "Check its CRS (degrees taken for metres, another zone, axes swapped) or its file.",
        )
    return None


def _distance_to_box_km(
    sites: pd.DataFrame, box: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> float:
    from pyproj import Geod

    longitude = sites["longitude"].to_numpy(dtype=float)
    latitude = sites["latitude"].to_numpy(dtype=float)
    nearest = np.clip(longitude, box[0], box[2]), np.clip(latitude, box[1], box[3])
    _, _, metres = Geod(ellps="WGS84").inv(longitude, latitude, *nearest)
    return float(np.min(metres)) / 1000


def _mend_shapes(
    layer: gpd.GeoDataFrame, sheet: str, file: str
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Set aside what is no polygon; mend what crosses itself."""
    findings = []
    shapes = layer.geometry
    empty = shapes.isna() | shapes.is_empty
    flat = ~empty & ~shapes.geom_type.isin(["Polygon", "MultiPolygon"])
    crossing = ~empty & ~flat & ~shapes.is_valid
    reasons = shapes[crossing].is_valid_reason()
    for place in np.flatnonzero((empty | flat | crossing).to_numpy()):
        row = int(place) + 1
        if empty.iloc[place] or flat.iloc[place]:
            what = "has no shape" if empty.iloc[place] else f"is a {shapes.geom_type.iloc[place]}"
            findings.append(
                Finding(
                    sheet,
                    file,
                    "",
                    row,
                    "geometry",
                    "",
                    "no polygon",
                    "impossible",
                    f"Feature {row} {what}, not a polygon.",
                    "Draw its outline.",
                    "set aside",
                )
            )
        else:
            reason = reasons.loc[layer.index[place]]
            findings.append(
                Finding(
                    sheet,
                    file,
                    "",
                    row,
                    "geometry",
                    "",
                    "invalid polygon",
                    "doubtful",
                    f"The outline of feature {row} is not valid: {reason}. Its area is taken after "
                    "mending.",
                    "Redraw the outline where it crosses or touches itself.",
                    "kept",
                )
            )
    mended = layer[~(empty | flat)].copy()
    mended["geometry"] = mended.geometry.make_valid()
    return mended, findings


def _find_overlaps(
    layer: gpd.GeoDataFrame, sheet: str, file: str, sites: pd.DataFrame
) -> list[Finding]:
    """Polygons that cover the same ground at the same time; fires may burn twice."""
    if sheet == "events" or len(layer) < 2:
        return []
    crs = site_projection(float(sites["latitude"].mean()), float(sites["longitude"].mean()))
    shapes = layer.geometry.to_crs(crs)
    first, second = shapes.sindex.query(shapes, predicate="intersects")
    start = layer["from"].fillna(pd.Timestamp.min.as_unit("s")).to_numpy()
    end = layer["until"].fillna(pd.Timestamp.max.as_unit("s")).to_numpy()
    findings = []
    for one, other in zip(first, second, strict=True):
        if one >= other or start[one] > end[other] or start[other] > end[one]:
            continue
        shared = shapes.iloc[one].intersection(shapes.iloc[other]).area
        share = shared / min(shapes.iloc[one].area, shapes.iloc[other].area)
        if share <= OVERLAP_SHARE:
            continue
        rows = [int(layer.index[place]) + 1 for place in (one, other)]
        names = [layer[TEXT_COLUMN[sheet]].iloc[place] for place in (one, other)]
        findings.append(
            Finding(
                sheet,
                file,
                "",
                rows[1],
                "geometry",
                names[1],
                "overlapping polygons",
                "doubtful",
                f"Feature {rows[1]} ({names[1]}) covers {shared / 1e4:.2f} ha of feature {rows[0]} "
                f"({names[0]}) at the same time.",
                "Cut one of them; until then ground of two kinds counts as both.",
                "kept",
            )
        )
    return findings


def read_layers(
    paths: dict[str, Path], sites: pd.DataFrame
) -> tuple[dict[str, gpd.GeoDataFrame], list[Finding]]:
    """Read the polygons of a study: its sites, habitat and events.

    Parameters
    ----------
    paths : dict of Path
        By "sites", "habitat", "events".
    sites : DataFrame
        Clean rows of the sites sheet.

    Returns
    -------
    dict of GeoDataFrame
        One that cannot be placed, or has no polygon left, is absent.
    list of Finding
    """
    layers: dict[str, gpd.GeoDataFrame] = {}
    findings: list[Finding] = []
    placed = sites.dropna(subset=["latitude", "longitude"])
    for sheet, path in paths.items() if len(placed) else ():
        try:
            layer, doubts = read_layer(path, sheet, placed)
        except StudyError:
            if sheet == "sites":
                continue  # read as a sheet already, under a heading of the study's own
            raise
        findings += doubts
        if layer is not None and len(layer):
            layers[sheet] = layer
    return layers, findings
