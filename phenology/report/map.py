"""A map of the sites, drawn by hand as SVG from vendored outlines: no tiles, no request."""

from __future__ import annotations

import gzip
import json
import math
from dataclasses import dataclass
from functools import cache
from html import escape
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from phenology.report.words import plain

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import geopandas as gpd
    import pandas as pd

Points = npt.NDArray[np.float64]  # (points, 2): longitude, latitude
WIDTH, HEIGHT = 640, 420  # of the map, px
INSET = 128  # side of the small map that says where on the continent, px
LEAST_KM = 240  # a map of one site still shows this much of the country
INSET_KM = 5200
NORTH_AMERICA = (-170.0, 7.5, -50.0, 83.0)  # west, south, east, north
LAYERS = {"land": "land", "lakes": "water", "rivers": "river", "subunits": "state"}


def draw_site_map(
    sites: pd.DataFrame, coarsen_km: float, told: Mapping[str, str] | None = None
) -> str:
    """Sites on their country, each a focusable mark with its name, and a scale bar.

    Parameters
    ----------
    sites : DataFrame
        From `phenology.places.coarsen_sites`: sensitive ones already coarsened.
    coarsen_km : float
        Side of the square a sensitive site was moved in [km].
    told : mapping of str to str, optional
        What to write beside a site instead of its height.

    Returns
    -------
    str
        One SVG element in an azimuthal equal-area projection centred on the sites.
    """
    view = fit_view(sites, LEAST_KM, WIDTH, HEIGHT)
    near = "".join(outlines(view, "outline"))
    marks = "".join(_marks(sites, view, coarsen_km, told or {}))
    inset_view = View(view.longitude, view.latitude, INSET_KM / INSET, INSET, INSET)
    inset = "".join(outlines(inset_view, "inset"))
    corner = _free_corner(*view.project(sites["longitude"], sites["latitude"]))
    middle, half = INSET / 2, max(3.0, WIDTH * view.km_per_px / inset_view.km_per_px / 2)
    return (
        f'<svg class="map" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'role="group" aria-label="Map of {len(sites)} sites">'
        f'<clipPath id="map-frame"><rect width="{WIDTH}" height="{HEIGHT}"/></clipPath>'
        f'<g clip-path="url(#map-frame)"><rect class="sea" width="{WIDTH}" height="{HEIGHT}"/>'
        f"{near}{graticule(view)}{marks}</g>{scale_bar(view)}"
        f'<svg x="{corner[0]}" y="{corner[1]}" width="{INSET}" height="{INSET}" '
        f'viewBox="0 0 {INSET} {INSET}" aria-hidden="true">'
        f'<rect class="sea" width="{INSET}" height="{INSET}"/>{inset}'
        f'<rect class="here" x="{middle - half:.1f}" y="{middle - half:.1f}" '
        f'width="{2 * half:.1f}" height="{2 * half:.1f}"/>'
        f'<rect class="frame" width="{INSET}" height="{INSET}"/></svg>'
        f'<rect class="frame" width="{WIDTH}" height="{HEIGHT}"/></svg>'
    )


@dataclass(frozen=True)
class View:
    """What a map shows: its centre, its scale and its size."""

    longitude: float
    latitude: float
    km_per_px: float
    width: int
    height: int

    @property
    def crs(self) -> str:
        """Azimuthal equal-area about the centre, in km."""
        return f"+proj=laea +lat_0={self.latitude} +lon_0={self.longitude} +units=km +ellps=WGS84"

    def pixels(self, x_km: Any, y_km: Any) -> tuple[Any, Any]:
        """Place projected kilometres on the drawing."""
        return self.width / 2 + x_km / self.km_per_px, self.height / 2 - y_km / self.km_per_px

    def project(self, longitude: Any, latitude: Any) -> tuple[Any, Any]:
        """Place degrees on the drawing."""
        from pyproj import Transformer

        to_km = Transformer.from_crs("EPSG:4326", self.crs, always_xy=True)
        return self.pixels(*to_km.transform(np.asarray(longitude), np.asarray(latitude)))

    def box(self) -> tuple[float, float, float, float]:
        """Degrees that hold everything shown: west, south, east, north."""
        from pyproj import Transformer

        half_x, half_y = (self.km_per_px * size / 2 for size in (self.width, self.height))
        edge = np.linspace(-1, 1, 21)
        x = np.concatenate([edge, edge, np.full(21, -1), np.full(21, 1)]) * half_x
        y = np.concatenate([np.full(21, -1), np.full(21, 1), edge, edge]) * half_y
        to_degrees = Transformer.from_crs(self.crs, "EPSG:4326", always_xy=True)
        longitude, latitude = to_degrees.transform(x, y)
        return longitude.min(), latitude.min(), longitude.max(), latitude.max()


def fit_view(sites: pd.DataFrame, least_km: float, width: int, height: int) -> View:
    """The view that holds all sites with room about them."""
    centre = View(sites["longitude"].mean(), sites["latitude"].mean(), 1.0, 0, 0)
    x, y = centre.project(sites["longitude"].to_numpy(), sites["latitude"].to_numpy())
    reach_x, reach_y = np.abs(x).max(), np.abs(y).max()
    km_per_px = max(least_km / width, 2.8 * reach_x / width, 2.8 * reach_y / height)
    return View(centre.longitude, centre.latitude, float(km_per_px), width, height)


def _free_corner(x: Any, y: Any) -> tuple[float, float]:
    """The corner for the small map that lies furthest from any site.

    It stands at the frame, so that it covers a label of the graticule whole or not at all.
    """
    corners = [(WIDTH - INSET, 0), (0, 0), (0, HEIGHT - INSET)]

    def room(corner: tuple[float, float]) -> float:
        middle_x, middle_y = corner[0] + INSET / 2, corner[1] + INSET / 2
        return float(np.hypot(np.asarray(x) - middle_x, np.asarray(y) - middle_y).min())

    return max(corners, key=room)


def outlines(view: View, css: str) -> Iterator[str]:
    """Land, lakes, rivers and borders inside the view, as SVG paths."""
    west, south, east, north = view.box()
    inside = (
        west > NORTH_AMERICA[0]
        and south > NORTH_AMERICA[1]
        and east < NORTH_AMERICA[2]
        and north < NORTH_AMERICA[3]
    )
    named = "north-america_50m" if inside else "world_50m"
    for layer, kind in LAYERS.items():
        shapes = _layer(named, layer).clip_by_rect(west - 0.5, south - 0.5, east + 0.5, north + 0.5)
        if shapes.empty or (css == "inset" and kind == "river"):
            continue
        projected = shapes.to_crs(view.crs).simplify(view.km_per_px / 2)
        path = "".join(outline_path(shape, view) for shape in projected)
        if path:
            yield f'<path class="{css} {kind}" d="{path}"/>'


@cache
def _topology(name: str) -> dict[str, Any]:
    packed = files("phenology.report").joinpath(f"vendor/{name}.json.gz").read_bytes()
    topology: dict[str, Any] = json.loads(gzip.decompress(packed))
    return topology


@cache
def _arcs(name: str) -> list[Points]:
    """Longitude and latitude along every arc of a vendored TopoJSON file, decoded once."""
    topology = _topology(name)
    steps = [np.array(arc) for arc in topology["arcs"]]
    along = np.concatenate(steps)
    ends = np.cumsum([len(arc) for arc in steps])
    summed = np.cumsum(along, axis=0)
    before = np.vstack([[0, 0], summed[ends[:-1] - 1]])  # each arc begins anew from the corner
    summed = summed - np.repeat(before, np.diff(ends, prepend=0), axis=0)
    points = summed * topology["transform"]["scale"] + topology["transform"]["translate"]
    return np.split(points, ends[:-1])


@cache
def _layer(name: str, layer: str) -> gpd.GeoSeries:
    """One layer of a vendored TopoJSON file."""
    import geopandas as gpd
    import shapely

    topology, arcs = _topology(name), _arcs(name)

    def join(places: list[int]) -> Points:
        lines = [arcs[place] if place >= 0 else arcs[~place][::-1] for place in places]
        return np.concatenate([lines[0], *(line[1:] for line in lines[1:])])

    def shape(geometry: dict[str, Any]) -> Any:
        drawn, kind = geometry.get("arcs", []), geometry["type"]
        if kind == "Polygon":
            return _polygon([join(ring) for ring in drawn])
        if kind == "MultiPolygon":
            return shapely.MultiPolygon([_polygon([join(ring) for ring in part]) for part in drawn])
        if kind == "LineString":
            return shapely.LineString(join(drawn))
        return shapely.MultiLineString([join(part) for part in drawn])

    shapes = [shape(geometry) for geometry in topology["objects"][layer]["geometries"]]
    return gpd.GeoSeries(shapes, crs="EPSG:4326").make_valid()


def _polygon(rings: list[Points]) -> Any:
    import shapely

    closed = [ring for ring in rings if len(ring) > 3]
    return shapely.Polygon(closed[0], closed[1:]) if closed else shapely.Polygon()


def outline_path(shape: Any, view: View) -> str:
    """A projected shape as the commands of an SVG path."""
    if shape is None or shape.is_empty:
        return ""
    if hasattr(shape, "geoms"):
        return "".join(outline_path(part, view) for part in shape.geoms)
    if shape.geom_type == "Polygon":
        rings = [shape.exterior, *shape.interiors]
        return "".join(_run(ring.coords, view) + "Z" for ring in rings)
    return _run(shape.coords, view) if shape.geom_type == "LineString" else ""


def _run(coordinates: Any, view: View) -> str:
    x, y = view.pixels(*np.asarray(coordinates).T[:2])
    return "M" + "L".join(f"{px:.1f} {py:.1f}" for px, py in zip(x, y, strict=True))


def graticule(view: View) -> str:
    """Thin lines of latitude and longitude with their degrees at the frame."""
    west, south, east, north = view.box()
    step = next(
        (size for size in (0.1, 0.2, 0.5, 1, 2, 5, 10) if (north - south) / size <= 5), 20.0
    )
    parts = []
    for latitude in np.arange(math.ceil(south / step), north / step) * step:
        x, y = view.project(np.linspace(west, east, 40), np.full(40, latitude))
        parts.append(_thin_line(x, y))
        at = float(np.interp(4, x, y))
        if 16 < at < view.height - 40:
            parts.append(f'<text x="4" y="{at - 3:.1f}">{_degrees(latitude, "N", "S")}</text>')
    for longitude in np.arange(math.ceil(west / step), east / step) * step:
        x, y = view.project(np.full(40, longitude), np.linspace(south, north, 40))
        parts.append(_thin_line(x, y))
        at = float(np.interp(-(view.height - 6), -y, x))
        if 40 < at < view.width - 150:
            degrees = _degrees(longitude, "E", "W")
            parts.append(f'<text x="{at + 3:.1f}" y="{view.height - 6}">{degrees}</text>')
    return f'<g class="graticule" aria-hidden="true">{"".join(parts)}</g>'


def _thin_line(x: Any, y: Any) -> str:
    points = " ".join(f"{px:.1f},{py:.1f}" for px, py in zip(x, y, strict=True))
    return f'<polyline points="{points}"/>'


def _degrees(value: float, above: str, below: str) -> str:
    return f"{abs(value):.1f}".removesuffix(".0") + f"° {above if value >= 0 else below}"


def _marks(
    sites: pd.DataFrame, view: View, coarsen_km: float, told: Mapping[str, str]
) -> Iterator[str]:
    """A circle where the place is exact, a square as large as the doubt where it is coarse."""
    x, y = view.project(sites["longitude"].to_numpy(), sites["latitude"].to_numpy())
    taken: list[tuple[float, float]] = []
    for row, px, py in zip(sites.itertuples(), x, y, strict=True):
        label_y = free_row(px, py, taken)
        name = escape(plain(row.site, 40))
        full = escape(plain(row.name, 80))
        height = "" if np.isnan(row.elevation_m) else f"{row.elevation_m:,.0f} m"
        place = f"within {coarsen_km:g} km" if row.sensitive else "exact place"
        beside = escape(plain(told.get(row.site, ""), 80))
        said = ", ".join(part for part in (name, full, height, place, beside) if part)
        half = max(coarsen_km / view.km_per_px / 2, 5)
        mark = (
            f'<rect class="coarse" x="{px - half:.1f}" y="{py - half:.1f}" '
            f'width="{2 * half:.1f}" height="{2 * half:.1f}"/>'
            if row.sensitive
            else f'<circle class="exact" cx="{px:.1f}" cy="{py:.1f}" r="5"/>'
        )
        offset = half + 5 if row.sensitive else 10
        left = px > view.width - 150
        edge, anchor = (px - offset, "end") if left else (px + offset, "start")
        yield (
            f'<g class="site" tabindex="0" role="img" aria-label="{said}">'
            f"<title>{said}</title>{mark}"
            f'<text x="{edge:.1f}" y="{label_y + 4:.1f}" text-anchor="{anchor}">{name}'
            f'<tspan class="height" dx="6">{beside or height}</tspan></text></g>'
        )


def free_row(x: float, y: float, taken: list[tuple[float, float]]) -> float:
    """Lower a label until no earlier one is in its way."""
    while any(abs(y - other_y) < 16 and abs(x - other_x) < 110 for other_x, other_y in taken):
        y += 16
    taken.append((x, y))
    return y


def scale_bar(view: View) -> str:
    """A bar of a round number of kilometres at the lower right."""
    most = view.width * view.km_per_px / 4
    size = 10 ** math.floor(math.log10(most))
    length = next(size * step for step in (5, 2, 1) if size * step <= most)
    px = length / view.km_per_px
    x, y = view.width - px - 14, view.height - 14
    return (
        f'<g class="scale-bar"><path d="M{x:.1f} {y - 5}V{y}H{x + px:.1f}V{y - 5}"/>'
        f'<text x="{x + px / 2:.1f}" y="{y - 8}" text-anchor="middle">{length:g} km</text></g>'
    )
