"""A map of sites coloured by the chance that each lies above the others on an outcome."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

import numpy as np
import pandas as pd

from phenology.report.map import (
    HEIGHT,
    LEAST_KM,
    WIDTH,
    fit_view,
    free_row,
    graticule,
    outlines,
    scale_bar,
)
from phenology.report.support_measures import measure_of
from phenology.report.words import number_words, plain

LEGEND_HEIGHT = 44
# Chance up to which a step reaches, and how much of the role's hue it takes: one hue from pale to
# full is read alike with any colour blindness and in grey print.
STEPS = ((0.1, 0.0), (0.3, 0.2), (0.7, 0.45), (0.9, 0.72), (1.0, 1.0))
SMALLEST_PX, LARGEST_PX = 6.0, 17.0  # radius of a site without birds, and of that with most


def draw_comparison_map(levels: pd.DataFrame, sites: pd.DataFrame) -> str:
    """Sites on their country: shade by the chance to lie above the others, size by birds.

    Parameters
    ----------
    levels : DataFrame
        Rows of one outcome and role of `compare_studies`, with chance_above.
    sites : DataFrame
        site, latitude and longitude [degrees], sensitive ones coarsened; `site` as in levels.

    Returns
    -------
    str
        One SVG element. A site that the outcome does not tell is left out, one whose chance
        lies between .3 and .7 wears the middle shade: it cannot be told from the others.
    """
    shown = levels.merge(sites[["site", "latitude", "longitude"]], on="site")
    view = fit_view(shown, LEAST_KM, WIDTH, HEIGHT)
    role = str(shown["role"].iloc[0])
    measure = measure_of(shown["outcome"].iloc[0])
    height = HEIGHT + LEGEND_HEIGHT
    return (
        f'<svg class="map" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        f'role="group" aria-label="{escape(measure.name)} of {role} birds at {len(shown)} sites">'
        f'<clipPath id="compared-{role}"><rect width="{WIDTH}" height="{HEIGHT}"/></clipPath>'
        f'<g clip-path="url(#compared-{role})"><rect class="sea" width="{WIDTH}" '
        f'height="{HEIGHT}"/>{"".join(outlines(view, "outline"))}{graticule(view)}'
        f"{''.join(_marks(shown, *view.project(shown['longitude'], shown['latitude'])))}"
        f'</g>{scale_bar(view)}<rect class="frame" width="{WIDTH}" height="{HEIGHT}"/>'
        f"{_legend(role)}</svg>"
    )


def _marks(shown: pd.DataFrame, x: np.ndarray, y: np.ndarray) -> Iterator[str]:
    """The largest first, so that none hides a smaller one."""
    most = max(float(shown["birds"].max()), 1.0)
    measure = measure_of(shown["outcome"].iloc[0])
    rows = shown.assign(x=x, y=y).sort_values("birds", ascending=False)
    taken: list[tuple[float, float]] = []
    for row in rows.to_dict("records"):
        chance, birds, role = float(row["chance_above"]), int(row["birds"]), str(row["role"])
        radius = SMALLEST_PX + (LARGEST_PX - SMALLEST_PX) * np.sqrt(birds / most)
        value, low, high = (measure.times * float(row[end]) for end in ("estimate", "low", "high"))
        level = [number_words(number, low, high) for number in (value, low, high)]
        name = escape(plain(row["site"], 60))
        said = (
            f"{name}: {level[0]} {escape(measure.unit)} ({level[1]} to {level[2]}), chance "
            f"{chance:.0%} to lie above the others, {birds:,} birds"
        )
        left = row["x"] > WIDTH - 150
        label_y = free_row(row["x"], row["y"], taken)
        edge, anchor = (-radius - 5, "end") if left else (radius + 5, "start")
        yield (
            f'<g class="site" tabindex="0" role="img" aria-label="{said}"><title>{said}</title>'
            f'<circle class="paper" cx="{row["x"]:.1f}" cy="{row["y"]:.1f}" r="{radius:.1f}"/>'
            f'<circle class="chance {role}" cx="{row["x"]:.1f}" cy="{row["y"]:.1f}" '
            f'r="{radius:.1f}" fill-opacity="{_shade(chance)}"/>'
            f'<text x="{row["x"] + edge:.1f}" y="{label_y + 4:.1f}" text-anchor="{anchor}">{name}'
            f'<tspan class="height" dx="6">{chance:.0%}</tspan></text></g>'
        )


def _shade(chance: float) -> float:
    """Share of the hue for a chance.

    Examples
    --------
    >>> [_shade(chance) for chance in (0.02, 0.5, 0.95)]
    [0.0, 0.45, 1.0]
    """
    return next(shade for upper, shade in STEPS if chance <= upper)


def _legend(role: str) -> str:
    bounds = [0.0, *(upper for upper, _ in STEPS)]
    parts, wide = [], 104
    for place, (_, shade) in enumerate(STEPS):
        x, y = 14 + wide * place, HEIGHT + 16
        parts.append(
            f'<circle class="chance {role}" cx="{x}" cy="{y}" r="7" fill-opacity="{shade}"/>'
            f'<text class="key" x="{x + 13}" y="{y + 4}">'
            f"{100 * bounds[place]:.0f}–{100 * bounds[place + 1]:.0f} %</text>"
        )
    said = "chance to lie above the others; a larger mark: more birds"
    parts.append(f'<text class="key" x="7" y="{HEIGHT + 39}">{said}</text>')
    return "".join(parts)
