"""The map of potential range: rings at their distance, whose rings, and what is written."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenology.report.range_map import Reach, draw_range_map, find_reach, ring

SITES = pd.DataFrame(
    {"site": ["fork", "<ridge>"], "latitude": [32.0, 33.0], "longitude": [-109.0, -109.5]}
)


def test_a_ring_lies_at_its_distance_on_the_sphere_within_its_flattening() -> None:
    """Against the great-circle formula on a sphere of 6371 km, half a per cent off at most."""
    east, north = (np.radians(each) for each in ring(-109.0, 32.0, 800.0))
    here = np.radians(-109.0), np.radians(32.0)
    cosine = np.sin(here[1]) * np.sin(north)
    cosine += np.cos(here[1]) * np.cos(north) * np.cos(east - here[0])
    np.testing.assert_allclose(6371 * np.arccos(cosine), 800.0, rtol=5e-3)


def _caught(species: list[str], km: float) -> tuple[pd.DataFrame, xr.Dataset]:
    captures = pd.DataFrame({"species": np.repeat(species, 12)})
    draws = np.full((4, len(captures)), km)
    draws[:, ::12] = np.nan  # a bird without a range
    birds = xr.Dataset(
        {"potential_range_km": (("draw", "bird"), draws)}, coords={"bird": captures.index}
    )
    return captures, birds


def test_rings_are_of_passage_birds_and_of_breeding_ones_only_where_none_pass() -> None:
    captures, birds = _caught(["Species a", "Species b"], 300.0)
    roles = captures["species"].map({"Species a": "local", "Species b": "passage"})
    assert [reach.species for reach in find_reach(captures, roles, birds)] == ["Species b"]
    local = find_reach(captures, roles.mask(roles != "", "local"), birds)
    assert {reach.species for reach in local} == {"Species a", "Species b"}
    assert local[0].middle == pytest.approx(300.0)
    assert find_reach(captures, roles, None) == []


def test_the_drawing_says_what_its_lines_are_and_escapes_names() -> None:
    reaches = [Reach("Species <b>", 31, 400.0, 120.0, 700.0)]
    svg = draw_range_map(SITES, "fork", reaches, 350.0)
    assert "Species &lt;b&gt;: 400 km (120 to 700), 31 captures" in svg
    assert "next stop, 350 km" in svg
    assert "&lt;ridge&gt;" in svg
    assert "<ridge>" not in svg
    assert "next stop" not in draw_range_map(SITES, "fork", reaches, None)
