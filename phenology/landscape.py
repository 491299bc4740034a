"""Habitat, events and water about each site, in metres: what lies within a walk and a flight.

Every site has its own equal-area projection centred on it, so that areas are exact and
distances from it are right to one part in a thousand up to several hundred kilometres.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely.geometry.base import BaseGeometry

RADII_M = (250.0, 1000.0, 5000.0)  # a territory, a home range, a morning's flight
WATER = ("water", "lake", "pond", "river", "stream", "spring", "reservoir")
DAYS_A_YEAR = 365.25
WGS84 = "EPSG:4326"

LANDSCAPE_COLUMNS = ("site", "date", "measure", "kind", "radius_m", "value", "unit")


def site_projection(latitude: float, longitude: float) -> str:
    """Equal-area projection in metres centred on a site, as a PROJ string.

    Examples
    --------
    >>> site_projection(31.5, -110.25)
    '+proj=laea +lat_0=31.5 +lon_0=-110.25 +datum=WGS84 +units=m +type=crs'
    """
    return f"+proj=laea +lat_0={latitude} +lon_0={longitude} +datum=WGS84 +units=m +type=crs"


def place_sites(sites: pd.DataFrame, polygons: gpd.GeoDataFrame | None = None) -> gpd.GeoDataFrame:
    """Sites as shapes: their polygon where one is given, else the point of the sheet.

    Parameters
    ----------
    sites : DataFrame
        Clean rows of the sites sheet: site, latitude, longitude [degrees].
    polygons : GeoDataFrame, optional
        From sites.gpkg: column `site`, checked by `landscape_layers.read_layer`.

    Returns
    -------
    GeoDataFrame
        site, latitude, longitude, geometry in WGS84.

    Examples
    --------
    >>> sheet = pd.DataFrame({"site": ["fork"], "latitude": [31.5], "longitude": [-110.25]})
    >>> place_sites(sheet).geometry.iloc[0].wkt
    'POINT (-110.25 31.5)'
    """
    import geopandas as gpd

    points = gpd.points_from_xy(sites["longitude"], sites["latitude"], crs=WGS84)
    placed = gpd.GeoDataFrame(
        sites[["site", "latitude", "longitude"]].reset_index(drop=True), geometry=points
    )
    if polygons is not None and len(polygons):
        shapes = polygons.to_crs(WGS84).dissolve("site").geometry
        own = placed["site"].map(shapes)
        placed["geometry"] = placed.geometry.where(own.isna(), gpd.GeoSeries(own, crs=WGS84))
    return placed


def describe_landscape(
    sites: gpd.GeoDataFrame,
    habitat: gpd.GeoDataFrame | None,
    events: gpd.GeoDataFrame | None,
    dates: pd.DatetimeIndex,
    radii_m: tuple[float, ...] = RADII_M,
) -> pd.DataFrame:
    """Measure the surroundings of every site on some days.

    Parameters
    ----------
    sites : GeoDataFrame
        From `place_sites`.
    habitat : GeoDataFrame or None
        Polygons with `kind`, `from`, `until`; a missing date means no end on that side.
    events : GeoDataFrame or None
        Polygons with `kind` and `from`; those of kind "fire" count as burned.
    dates : DatetimeIndex
        Days asked for, one a season as a rule.
    radii_m : tuple of float
        Distances from the site's point or from the edge of its polygon [m].

    Returns
    -------
    DataFrame
        site, date, measure, kind, radius_m, value, unit. `patch_area` [m2] by kind and radius,
        `burned_share` [1] by radius (ever burned by that day), `years_since_fire` [years] by
        radius (the last fire there), `distance_to_water` [m]; a missing value where there was
        no fire, or no water in the layer.

    Notes
    -----
    Polygons of one kind that overlap count once. Do not believe areas where the layer ends
    within a radius: what was not mapped counts as absent.
    """
    rows: list[tuple[object, ...]] = []
    for site in sites.itertuples():
        crs = site_projection(site.latitude, site.longitude)
        shape = sites.loc[[site.Index]].geometry.to_crs(crs).iloc[0]
        circles = {radius: shape.buffer(radius, quad_segs=64) for radius in radii_m}
        near_habitat = None if habitat is None else habitat.to_crs(crs)
        near_events = None if events is None else events.to_crs(crs)
        for date in dates:
            here: list[tuple[object, ...]] = []
            if near_habitat is not None:
                here += _habitat_rows(standing(near_habitat, date), shape, circles)
            fires = burned_by(near_events, date)
            if fires is not None:
                here += _fire_rows(fires, date, circles)
            rows += [(site.site, date, *row) for row in here]
    return pd.DataFrame(rows, columns=list(LANDSCAPE_COLUMNS))


def ground_within_m2(sites: gpd.GeoDataFrame, radius_m: float) -> pd.Series:
    """Area within a distance of each site's point or the edge of its polygon [m2], by site."""
    areas = {}
    for site in sites.itertuples():
        crs = site_projection(site.latitude, site.longitude)
        shape = sites.loc[[site.Index]].geometry.to_crs(crs).iloc[0]
        areas[str(site.site)] = float(shape.buffer(radius_m, quad_segs=64).area)
    return pd.Series(areas)


def standing(layer: gpd.GeoDataFrame, date: pd.Timestamp) -> gpd.GeoDataFrame:
    """Polygons that stand on a day; a missing date means no end on that side."""
    begun = layer["from"].isna() | (layer["from"] <= date)
    return layer[begun & (layer["until"].isna() | (layer["until"] >= date))]


def burned_by(events: gpd.GeoDataFrame | None, date: pd.Timestamp) -> gpd.GeoDataFrame | None:
    """Fires that had begun by a day."""
    if events is None:
        return None
    return events[(events["kind"] == "fire") & (events["from"] <= date)]


def _habitat_rows(
    habitat: gpd.GeoDataFrame, shape: BaseGeometry, circles: dict[float, BaseGeometry]
) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for kind, patches in habitat.groupby("kind"):
        together = patches.geometry.union_all()
        for radius, circle in circles.items():
            area = float(together.intersection(circle).area)
            rows.append(("patch_area", kind, radius, area, "m2"))
    water = habitat[habitat["kind"].str.lower().isin(WATER)]
    distance = float(water.geometry.distance(shape).min()) if len(water) else float("nan")
    return [*rows, ("distance_to_water", "", None, distance, "m")]


def _fire_rows(
    fires: gpd.GeoDataFrame, date: pd.Timestamp, circles: dict[float, BaseGeometry]
) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for radius, circle in circles.items():
        burned = fires[fires.geometry.intersects(circle)]
        union = burned.geometry.union_all() if len(burned) else None
        share = float(union.intersection(circle).area / circle.area) if union is not None else 0.0
        last = burned["from"].max() if len(burned) else pd.NaT
        years = float((date - last).days / DAYS_A_YEAR) if len(burned) else float("nan")
        rows += [
            ("burned_share", "fire", radius, share, "1"),
            ("years_since_fire", "fire", radius, years, "years"),
        ]
    return rows
