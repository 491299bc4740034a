"""A map of one site's surroundings: habitat by hatching, water, burned ground, rings."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from phenology.landscape import RADII_M, WATER
from phenology.report.map import View, outline_path, scale_bar
from phenology.report.words import plain

if TYPE_CHECKING:
    import geopandas as gpd

WIDTH, HEIGHT = 640, 460  # of the map, px; the legend stands under it
LEGEND_ROW = 22
LEAST_RING_PX = 30  # a smaller ring has no room for its distance
MOST_YEARS = 4  # of fires named in the legend
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

    def near(layer: gpd.GeoDataFrame | gpd.GeoSeries) -> gpd.GeoSeries:
        shapes = layer.geometry.clip_by_rect(west, south, east, north)
        return shapes[~shapes.is_empty]

    def paths(shapes: gpd.GeoSeries) -> str:
        return "".join(outline_path(shape, view) for shape in shapes.to_crs(view.crs))

    drawn, legend = [], []
    in_sight = {} if habitat is None else _by_kind(habitat, near(habitat))
    dry = [] if habitat is None else _dry_kinds(habitat, list(in_sight))
    for kind, shapes in in_sight.items():
        fill = f'fill="url(#{name}-{dry.index(kind)})"' if kind in dry else ""
        look = "patch" if kind in dry else "patch open-water"
        title = f"<title>{escape(plain(kind, 40))}</title>"
        drawn.append(f'<path class="{look}" {fill} d="{paths(shapes)}">{title}</path>')
        legend.append((f'<rect class="{look}" width="22" height="14" {fill}/>', kind))
    fires = near(burned) if burned is not None else ()
    if burned is not None and len(fires):
        years = sorted({str(date.year) for date in burned.loc[fires.index, "from"]})
        words = f"burned {', '.join(years[-MOST_YEARS:])}"
        drawn.append(f'<path class="burned" d="{paths(fires)}"><title>{words}</title></path>')
        legend.append(('<rect class="burned" width="22" height="14"/>', words))
    drawn += [_ring(radius, radius / 1000 / view.km_per_px) for radius in RADII_M]
    x, y = WIDTH / 2, HEIGHT / 2
    if place.iloc[0].geom_type == "Point":
        here = f'<circle class="exact" cx="{x}" cy="{y}" r="5"/>'
    else:
        here = f'<path class="exact" d="{paths(near(place))}"/>'
    about = escape(plain(site, 40))
    rows = -(-len(legend) // 3)
    height = HEIGHT + LEGEND_ROW * rows + 6
    return (
        f'<svg class="map" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        f'role="img" aria-label="Habitat about {about}"><defs>{_patterns(name, len(dry))}'
        f'<clipPath id="{name}-frame"><rect width="{WIDTH}" height="{HEIGHT}"/></clipPath></defs>'
        f'<g clip-path="url(#{name}-frame)"><rect class="land" width="{WIDTH}" '
        f'height="{HEIGHT}"/>{"".join(drawn)}<g class="site">{here}</g></g>{scale_bar(view)}'
        f'<rect class="frame" width="{WIDTH}" height="{HEIGHT}"/>{_legend(legend)}</svg>'
    )


def _by_kind(habitat: gpd.GeoDataFrame, shapes: gpd.GeoSeries) -> dict[str, gpd.GeoSeries]:
    """Shapes in sight by kind, by name; the widespread ones if there are many."""
    kind = habitat.loc[shapes.index, "kind"].astype(str)
    area = shapes.to_crs("EPSG:6933").area.groupby(kind).sum()
    return {name: shapes[kind == name] for name in sorted(area.nlargest(MOST_KINDS).index)}


def _dry_kinds(habitat: gpd.GeoDataFrame, in_sight: list[str]) -> list[str]:
    """Kinds with a hatching, the same on the map of every site where there are few."""
    for kinds in (habitat["kind"].astype(str).unique(), in_sight):
        dry = sorted(kind for kind in kinds if kind.lower() not in WATER)
        if len(dry) <= len(_HATCHINGS):
            return dry
    return dry


def _patterns(name: str, number: int) -> str:
    return "".join(
        f'<pattern id="{name}-{place}" width="8" height="8" patternUnits="userSpaceOnUse">'
        f'<path class="hatching" d="{_HATCHINGS[place]}"/></pattern>'
        for place in range(number)
    )


def _ring(radius_m: float, radius_px: float) -> str:
    """A ring with its distance, if there is room for it, on its upper end."""
    x, y = WIDTH / 2, HEIGHT / 2
    ring = f'<circle class="ring" cx="{x}" cy="{y}" r="{radius_px:.1f}"/>'
    if radius_px < LEAST_RING_PX:
        return ring
    at = f'x="{x}" y="{y - radius_px + 14:.1f}" text-anchor="middle"'
    return f'{ring}<text class="distance" {at}>{radius_m / 1000:g} km</text>'


def _legend(entries: list[tuple[str, str]]) -> str:
    parts = []
    for number, (mark, words) in enumerate(entries):
        x, y = 8 + (number % 3) * 210, HEIGHT + 8 + (number // 3) * LEGEND_ROW
        text = escape(plain(words, 30))
        parts.append(
            f'<g transform="translate({x} {y})">{mark}<text x="30" y="11">{text}</text></g>'
        )
    return "".join(parts)
