"""A map of how far birds could fly from a site: rings of potential range, by species."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from pyproj import Geod

from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE
from phenology.report.map import View, graticule, outlines, scale_bar
from phenology.report.words import plain

if TYPE_CHECKING:
    import xarray as xr

WIDTH, HEIGHT = 640, 460  # of the map, px; the legend stands under it
LEGEND_ROW = 20
MOST_SPECIES = 3  # more rings would hide one another
FEWEST_BIRDS = 10
_BEARINGS = np.linspace(0, 360, 181)


class Reach(NamedTuple):
    """Potential range of a species' birds [km]: the middle bird, and 90 % of birds and draws."""

    species: str
    captures: int
    middle: float
    low: float
    high: float


def find_reach(
    captures: pd.DataFrame, roles: pd.Series[str], birds: xr.Dataset | None
) -> list[Reach]:
    """Range of the birds as they were caught, of the species with most captures.

    Birds of species that only breed are left out where any pass: little fuel in a breeding bird
    is normal, and a ring of its fuel would tell nothing.

    Parameters
    ----------
    captures : DataFrame
    roles : Series
        Role that study.toml states for each capture.
    birds : Dataset or None
        potential_range_km on (draw, bird), a bird being a capture.

    Returns
    -------
    list of Reach
        The farthest first; empty without a range law.
    """
    if birds is None or "potential_range_km" not in birds:
        return []
    table = captures.assign(role=roles)
    table = table[table.index.isin(birds.indexes["bird"])]
    if (table["role"] != "local").any():
        table = table[table["role"] != "local"]
    found = []
    for species, rows in table.groupby("species"):
        km = birds["potential_range_km"].sel(bird=rows.index).to_numpy()
        km = km[np.isfinite(km)]
        if len(rows) >= FEWEST_BIRDS and km.size:
            middle, low, high = np.quantile(km, [0.5, LOW_QUANTILE, HIGH_QUANTILE])
            found.append(Reach(str(species), len(rows), float(middle), float(low), float(high)))
    most = sorted(found, key=lambda reach: -reach.captures)[:MOST_SPECIES]
    return sorted(most, key=lambda reach: -reach.middle)


def ring(longitude: float, latitude: float, km: float) -> tuple[list[float], list[float]]:
    """Longitudes and latitudes of all places so far from a site, along the ellipsoid.

    Examples
    --------
    >>> east, north = ring(-110.0, 32.0, 111.0)
    >>> round(float(max(north)) - 32.0, 2)
    1.0
    """
    same = np.ones(_BEARINGS.size)
    east, north, _ = Geod(ellps="WGS84").fwd(
        longitude * same, latitude * same, _BEARINGS, 1000 * km * same
    )
    return list(east), list(north)


def draw_range_map(
    sites: pd.DataFrame, site: str, reaches: list[Reach], next_stop_km: float | None
) -> str:
    """Rings of potential range about a site, the other sites and the next stop.

    Parameters
    ----------
    sites : DataFrame
        From `phenology.places.coarsen_sites`: sensitive ones already coarsened.
    site : str
        In the middle of the rings.
    reaches : list of Reach
    next_stop_km : float or None
        As study.toml declares it.

    Returns
    -------
    str
        One SVG element in an equal-area projection centred on the site. A line is the middle
        bird's range; the band about it holds 90 % of birds.
    """
    here = sites.set_index("site").loc[site]
    centre = float(here["longitude"]), float(here["latitude"])
    farthest = max([*(reach.high for reach in reaches), next_stop_km or 0.0])
    view = View(*centre, 2.15 * farthest / HEIGHT, WIDTH, HEIGHT)

    def path(km: float) -> str:
        x, y = view.project(*ring(*centre, km))
        return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True)) + "Z"

    drawn, legend = [], []
    for place, reach in enumerate(reaches):
        told = f"{reach.middle:.0f} km ({reach.low:.0f} to {reach.high:.0f})"
        name = escape(plain(reach.species, 60))
        words = f"{name}: {told}, {reach.captures} captures"
        band = path(reach.high) + (path(reach.low) if reach.low > 0 else "")
        drawn.append(
            f"<g><title>{words}</title>"
            f'<path class="reach-band" fill-rule="evenodd" d="{band}"/>'
            f'<path class="reach reach-{place}" d="{path(reach.middle)}"/></g>'
        )
        legend.append((f"reach reach-{place}", words))
    if next_stop_km:
        words = f"next stop, {next_stop_km:.0f} km"
        drawn.append(f'<path class="next-stop" d="{path(next_stop_km)}"/>')
        legend.append(("next-stop", words))
    x, y = view.project(sites["longitude"].to_numpy(), sites["latitude"].to_numpy())
    marks = "".join(
        f'<g class="site"><title>{escape(plain(name, 40))}</title>'
        f'<circle class="exact" cx="{px:.1f}" cy="{py:.1f}" r="{5 if name == site else 3}"/></g>'
        for name, px, py in zip(sites["site"].astype(str), x, y, strict=True)
    )
    about, height = escape(plain(site, 40)), HEIGHT + LEGEND_ROW * len(legend) + 6
    lines = "".join(
        f'<path class="{css}" d="M8 {HEIGHT + LEGEND_ROW * row + 15}h44"/>'
        f'<text class="key" x="62" y="{HEIGHT + LEGEND_ROW * row + 19}">{words}</text>'
        for row, (css, words) in enumerate(legend)
    )
    return (
        f'<svg class="map" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        f'role="img" aria-label="Potential range from {about}">'
        f'<clipPath id="range-frame"><rect width="{WIDTH}" height="{HEIGHT}"/></clipPath>'
        f'<g clip-path="url(#range-frame)"><rect class="sea" width="{WIDTH}" height="{HEIGHT}"/>'
        f"{''.join(outlines(view, 'outline'))}{graticule(view)}{''.join(drawn)}{marks}"
        f"</g>{scale_bar(view)}"
        f'<rect class="frame" width="{WIDTH}" height="{HEIGHT}"/>{lines}</svg>'
    )
