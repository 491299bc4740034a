"""Kinds of feeders and surroundings of sites as drivers of support."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from invented_support import assess_invented
from shapely.geometry import Point

from phenology.assess.support_drivers import AROUND_M, feeder_kinds, surroundings
from phenology.landscape import ground_within_m2, place_sites
from phenology.report.support_words import effect_sentence
from phenology.study.study import Study

DAY = pd.to_datetime(["2031-07-10", "2031-08-10", "2031-07-10", "2031-09-01"])
TABLE = pd.DataFrame({"site": ["fork", "fork", "ridge", "fork"], "date": DAY}, index=[5, 3, 9, 1])


def _feeders(**columns: list[object]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "site": ["fork", "fork", "ridge"],
            "from": pd.to_datetime(["2031-07-01", "2031-08-01", "2031-07-01"]),
            "until": pd.to_datetime(["2031-08-20", "2031-08-20", "2031-08-20"]),
            "feeders": [1.0, 2.0, 1.0],
            "ports": [8.0, 24.0, np.nan],
            "distance_m": [160.0, 40.0, 2.0],
            "kept_by": ["neighbour", "us", "neighbour"],
            "file": "feeders.csv",  # as clean sheets have them
            "tab": "",
            "row": [2, 3, 4],
        }
        | columns
    )


def test_kinds_of_feeders_are_those_that_hung_that_day() -> None:
    kinds = feeder_kinds(TABLE, _feeders())
    nan = np.nan
    np.testing.assert_allclose(kinds["neighbour_feeders"], [1, 0, 1, nan])
    np.testing.assert_allclose(kinds["feeder_ports"], [3, 5, nan, nan])  # log2 of 8 and 32
    near = np.log2([160, 40, 10])  # the nearest; closer than 10 m counts as 10 m
    np.testing.assert_allclose(kinds["feeder_distance"], [*near, nan])


def test_what_the_sheet_never_tells_is_no_driver() -> None:
    untold = _feeders(ports=[np.nan] * 3, kept_by=[None] * 3, feeders=[1.0, 0.0, 1.0])
    kinds = feeder_kinds(TABLE, untold)
    assert set(kinds) == {"feeder_distance"}
    assert kinds["feeder_distance"][1] == pytest.approx(np.log2(160))  # the second held none
    assert feeder_kinds(TABLE, None) == {}


def _measured(sites: list[str], meadow: list[float]) -> pd.DataFrame:
    rows = []
    for season in ("2031", "2032"):
        for site, share in zip(sites, meadow, strict=True):
            ground = np.pi * AROUND_M**2
            rows += [
                (site, season, "patch_area", "meadow", AROUND_M, share * ground),
                (site, season, "patch_area", "pine", AROUND_M, 0.3 * ground),
                (site, season, "patch_area", "lake", AROUND_M, share * 2 * ground),
                (site, season, "burned_share", "fire", AROUND_M, 0.1),
                (site, season, "distance_to_water", "", np.nan, 400.0),
            ]
    columns = ["site", "season", "measure", "kind", "radius_m", "value"]
    return pd.DataFrame(rows, columns=columns)


def _study(study: Study, sites: list[str]) -> Study:
    sheet = pd.DataFrame({"site": sites, "latitude": 31.5, "longitude": -110.0})
    return Study(**(vars(study) | {"sheets": study.sheets | {"sites": sheet}}))


def test_the_habitat_is_that_in_which_sites_differ_most_and_water_is_none(parts) -> None:
    study = _study(parts[0], ["fork", "ridge"])
    drivers, words = surroundings(TABLE, study, _measured(["fork", "ridge"], [0.1, 0.4]))
    np.testing.assert_allclose(drivers["habitat"], [0.1, 0.1, 0.4, 0.1], rtol=1e-3)
    np.testing.assert_allclose(drivers["burned"], 0.1)
    np.testing.assert_allclose(drivers["water_distance"], np.log2(400))
    assert words["habitat"] == "the habitat is meadow, within 1,000 m"
    assert surroundings(TABLE, study, pd.DataFrame()) == ({}, {})


def test_ground_about_a_polygon_is_more_than_about_a_point() -> None:
    sheet = pd.DataFrame({"site": ["fork"], "latitude": [31.5], "longitude": [-110.0]})
    point = ground_within_m2(place_sites(sheet), 1000.0)["fork"]
    assert point == pytest.approx(np.pi * 1000.0**2, rel=1e-3)
    shape = Point(-110.0, 31.5).buffer(0.005)
    wide = gpd.GeoDataFrame({"site": ["fork"]}, geometry=[shape], crs="EPSG:4326")
    assert ground_within_m2(place_sites(sheet, wide), 1000.0)["fork"] > 1.5 * point


def test_sites_are_compared_by_habitat_and_too_few_are_refused_in_words(parts) -> None:
    study = parts[0]
    sites = sorted(study.captures["site"].unique())
    told = {}
    for kept in (sites, sites[:3]):
        captures = study.captures[study.captures["site"].isin(kept)]
        some = Study(**(vars(study) | {"sheets": study.sheets | {"captures": captures}}))
        shares = np.linspace(0.1, 0.6, len(sites))[: len(kept)].tolist()
        hand = parts[2].sel(bird=captures.index.to_numpy())
        _, table = assess_invented(
            (_study(some, kept), parts[1], hand, parts[3]), landscape=_measured(kept, shares)
        )
        of_habitat = table[(table["driver"] == "habitat") & (table["outcome"] == "lean_condition")]
        told[len(kept)] = of_habitat.set_index(["role", "definition"])
    row = told[4].loc[("local", "between-site")]
    assert "a contrast between 4 sites" in row["note"]
    assert "the habitat is meadow, within 1,000 m" in row["note"]
    said = effect_sentence(row.to_dict() | {"role": "local", "definition": "between-site"})
    assert "These are 4 sites, and they differ in more than this" in said
    assert told[4].loc[("local", "within-site"), "basis"] == "refused"
    assert "only sites can be compared" in told[4].loc[("local", "within-site"), "note"]
    assert told[3].loc[("local", "between-site"), "basis"] == "refused"
    assert "3 sites with birds enough, 4 needed" in told[3].loc[("local", "between-site"), "note"]
