"""A map of one site's surroundings: habitat by hatching, burned ground, rings of distance."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from phenology.landscape import RADII_M
from phenology.report.map import View, outline_path, scale_bar
from phenology.report.words import plain

if TYPE_CHECKING:
    import geopandas as gpd

WIDTH, HEIGHT = 640, 460  # of the map, px; the legend stands under it
LEGEND_ROW = 22
MOST_KINDS = 8  # with a hatching of their own; the table holds all
# Hatchings differ in direction and rhythm, so that they hold in grey and for every eye.
_HATCHINGS = (
    "M0 4H8", "M4 0V8", "M0 8L8 0", "M0 0L8 8", "M0 4H8M4 0V8", "M0 8L8 0M0 0L8 8",
    "M3 3H5V5H3Z", "M0 2H4M4 6H8",
)  # fmt: skip


def draw_habitat_map(
    name: str,
    site: str,
    place: gpd.GeoSeries,
    centre: tuple[float, float],
    habitat: gpd.GeoDataFrame | None,
    burned: gpd.GeoDataFrame | None,
) -> str:
    """Habitat within five kilometres of a site.

    Parameters
    ----------
    name : str
        Of the drawing, unlike any other of the page.
    site : str
    place : GeoSeries
        Its shape, a point or a polygon, in WGS84.
    centre : tuple of float
        Longitude and latitude [degrees].
    habitat : GeoDataFrame or None
        Polygons with `kind`, those that stand in the season shown, in WGS84.
    burned : GeoDataFrame or None
        Polygons of fires up to then, in WGS84.

    Returns
    -------
    str
        One SVG element in an equal-area projection centred on the site, its legend included.
    """
    view = View(*centre, 2.15 * max(RADII_M) / 1000 / HEIGHT, WIDTH, HEIGHT)
    west, south, east, north = view.box()

    def paths(layer: gpd.GeoDataFrame | gpd.GeoSeries) -> str:
        shapes = layer.geometry.clip_by_rect(west, south, east, north)
        near = shapes[~shapes.is_empty].to_crs(view.crs)
        return "".join(outline_path(shape, view) for shape in near)

    drawn, legend = [], []
    kinds = [] if habitat is None else _kinds(habitat)
    for number, kind in enumerate(kinds):
        assert habitat is not None
        fill = f"url(#{name}-{number})"
        drawn.append(_patch(paths(habitat[habitat["kind"] == kind]), fill, kind))
        legend.append((f'<rect class="patch" width="22" height="14" fill="{fill}"/>', kind))
    if burned is not None and len(burned):
        drawn.append(f'<path class="burned" d="{paths(burned)}"><title>burned</title></path>')
        legend.append(('<rect class="burned" width="22" height="14"/>', "burned"))
    drawn += [_ring(radius / 1000 / view.km_per_px) for radius in RADII_M]
    x, y = WIDTH / 2, HEIGHT / 2
    if place.iloc[0].geom_type == "Point":
        here = f'<circle class="exact" cx="{x}" cy="{y}" r="5"/>'
    else:
        here = f'<path class="exact" d="{paths(place)}"/>'
    about = escape(plain(site, 40))
    rows = -(-len(legend) // 3)
    height = HEIGHT + LEGEND_ROW * rows + 6
    return (
        f'<svg class="map" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        f'role="img" aria-label="Habitat about {about}"><defs>{_patterns(name, len(kinds))}'
        f'<clipPath id="{name}-frame"><rect width="{WIDTH}" height="{HEIGHT}"/></clipPath></defs>'
        f'<g clip-path="url(#{name}-frame)"><rect class="land" width="{WIDTH}" '
        f'height="{HEIGHT}"/>{"".join(drawn)}<g class="site">{here}</g></g>{scale_bar(view)}'
        f'<rect class="frame" width="{WIDTH}" height="{HEIGHT}"/>{_legend(legend)}</svg>'
    )


def _kinds(habitat: gpd.GeoDataFrame) -> list[str]:
    """Kinds of habitat, the widespread ones if there are many."""
    area = habitat.to_crs("EPSG:6933").geometry.area.groupby(habitat["kind"]).sum()
    return sorted(str(kind) for kind in area.nlargest(MOST_KINDS).index)


def _patterns(name: str, number: int) -> str:
    return "".join(
        f'<pattern id="{name}-{place}" width="8" height="8" patternUnits="userSpaceOnUse">'
        f'<path class="hatching" d="{_HATCHINGS[place]}"/></pattern>'
        for place in range(number)
    )


def _patch(path: str, fill: str, kind: str) -> str:
    title = escape(plain(kind, 40))
    return f'<path class="patch" fill="{fill}" d="{path}"><title>{title}</title></path>'


def _ring(radius_px: float) -> str:
    return f'<circle class="ring" cx="{WIDTH / 2}" cy="{HEIGHT / 2}" r="{radius_px:.1f}"/>'


def _legend(entries: list[tuple[str, str]]) -> str:
    parts = []
    for number, (mark, words) in enumerate(entries):
        x, y = 8 + (number % 3) * 210, HEIGHT + 8 + (number // 3) * LEGEND_ROW
        text = escape(plain(words, 30))
        parts.append(
            f'<g transform="translate({x} {y})">{mark}<text x="30" y="11">{text}</text></g>'
        )
    return "".join(parts)
