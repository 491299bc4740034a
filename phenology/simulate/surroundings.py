"""Invented ground about the example's stations: plant communities, water, a burn.

Outlines are wavy rings about a middle; what lies inside another outline is a hole in it, so that no
ground is of two kinds at once.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from phenology.models.simulated_season_world import Station

METRES_A_DEGREE = 111_200.0  # of latitude
DECIMALS = 5  # of a degree: a metre
CORNERS = 22
WAVE = 0.13  # of the radius
BURN = ("2036-06-09", "2036-06-08")  # first day burned, last day unburned

Ring = list[list[float]]


@dataclass(frozen=True)
class Ground:
    """One outline: its kind, middle and half-widths east and north of the station [m]."""

    kind: str
    east_m: float
    north_m: float
    half_east_m: float
    half_north_m: float
    inside: tuple[Ground, ...] = ()
    burned: bool = False


GROUNDS = {
    "kettle": Ground("pine woodland", 300, 200, 6300, 6200, (
        Ground("wet meadow", 90, -60, 620, 440, (Ground("pond", 330, -80, 70, 50),)),
        Ground("willow thicket", -1500, -350, 190, 1250),
        Ground("pine woodland", 1900, 1500, 900, 1150, burned=True),
        Ground("dry scrub", -500, 2350, 1050, 620),
    )),
    "lantern": Ground("oak woodland", -200, -100, 6500, 6300, (
        Ground("dry scrub", 150, 120, 760, 560),
        Ground("wet meadow", 1900, -900, 520, 620, (Ground("spring", 1950, -850, 35, 30),)),
        Ground("oak woodland", -1850, 700, 830, 980, burned=True),
    )),
    "sallow": Ground("pine woodland", 0, 300, 6200, 6400, (
        Ground("wet meadow", -140, 80, 380, 290),
        Ground("willow thicket", 1300, 500, 230, 1350),
    )),
    "weir": Ground("dry scrub", 250, -150, 6400, 6300, (
        Ground("willow thicket", 120, 30, 330, 900, (Ground("pond", 190, 330, 90, 130),)),
        Ground("oak woodland", -1900, 1100, 1000, 850),
    )),
}  # fmt: skip


def habitat_geojson(stations: Sequence[Station], seed: int) -> str:
    """Plant communities and water; what burned stands as one kind before and another after."""
    return _collection(_features(stations, seed, fires=False))


def fires_geojson(stations: Sequence[Station], seed: int) -> str:
    """Outlines of the fire, as events."""
    return _collection(_features(stations, seed, fires=True))


def _features(stations: Sequence[Station], seed: int, *, fires: bool) -> list[dict[str, Any]]:
    features: list[dict[str, Any]] = []
    for number, station in enumerate(stations):
        rng = np.random.default_rng([seed, 7, number])
        _add(features, GROUNDS[station.site], station, rng, fires=fires)
    return features


def _add(
    features: list[dict[str, Any]],
    ground: Ground,
    station: Station,
    rng: np.random.Generator,
    *,
    fires: bool,
) -> Ring:
    """Add a ground after what lies in it; its outline is a hole of the ground about it."""
    holes = [_add(features, inner, station, rng, fires=fires) for inner in ground.inside]
    outline = _ring(ground, station, rng)
    shape = {"type": "Polygon", "coordinates": [outline, *(hole[::-1] for hole in holes)]}
    burned_from, stood_until = BURN
    if fires and ground.burned:
        features.append(_feature(shape, kind="fire", **{"from": burned_from}))
    elif not fires and ground.burned:
        features.append(_feature(shape, kind=ground.kind, until=stood_until))
        features.append(_feature(shape, kind="shrubs after fire", **{"from": burned_from}))
    elif not fires:
        features.append(_feature(shape, kind=ground.kind))
    return outline


def _ring(ground: Ground, station: Station, rng: np.random.Generator) -> Ring:
    """Outline in degrees, anticlockwise, closed: an ellipse with two slow waves on it."""
    angle = 2 * np.pi * np.arange(CORNERS) / CORNERS
    first, second = rng.uniform(0, 2 * np.pi, 2)
    wavy = 1 + WAVE * (0.6 * np.sin(2 * angle + first) + 0.4 * np.sin(5 * angle + second))
    east_m = ground.east_m + ground.half_east_m * wavy * np.cos(angle)
    north_m = ground.north_m + ground.half_north_m * wavy * np.sin(angle)
    shrink = math.cos(math.radians(station.latitude))
    longitude = station.longitude + east_m / METRES_A_DEGREE / shrink
    latitude = station.latitude + north_m / METRES_A_DEGREE
    places = np.column_stack([longitude, latitude]).round(DECIMALS).tolist()
    return [*places, places[0]]


def _feature(shape: dict[str, Any], **properties: str) -> dict[str, Any]:
    return {"type": "Feature", "properties": properties, "geometry": shape}


def _collection(features: list[dict[str, Any]]) -> str:
    """GeoJSON, a line a feature; its coordinates are WGS84 by definition (RFC 7946)."""
    lines = ",\n".join(json.dumps(feature, separators=(",", ":")) for feature in features)
    return f'{{"type":"FeatureCollection","features":[\n{lines}\n]}}\n'
