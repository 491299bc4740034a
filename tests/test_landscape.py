"""Surroundings of a site in metres, and layers that cannot be trusted."""

from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from pyproj import Geod
from shapely.geometry import LineString, Point, Polygon, box

from phenology.assess.landscape import assess_landscape
from phenology.assess.narrowed import narrowed_answers
from phenology.errors import StudyError
from phenology.landscape import describe_landscape, place_sites, site_projection
from phenology.landscape_layers import read_layer
from phenology.report.drivers import landscape_tables
from phenology.report.habitat_map import draw_habitat_map
from phenology.seasons import Window
from phenology.sheets.finding import FINDING_COLUMNS
from phenology.study.study import open_study

SITES = pd.DataFrame({"site": ["fork"], "latitude": [31.5], "longitude": [-110.25]})
METRES = site_projection(31.5, -110.25)
JULY = pd.DatetimeIndex(["2035-07-01"])


def layer(shapes, crs=METRES, **columns) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)


def write(tmp_path: Path, frame: gpd.GeoDataFrame, name: str = "habitat.gpkg") -> Path:
    path = tmp_path / name
    with np.errstate(all="ignore"):
        frame.to_file(path, driver="GPKG")
    return path


def dated(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """A layer as `read_layer` leaves it."""
    out = frame.to_crs("EPSG:4326")
    for name in ("from", "until"):
        given = out.get(name, pd.NaT)
        out[name] = pd.Series(given, index=out.index, dtype="datetime64[s]")
    return out


def value(
    table: pd.DataFrame, measure: str, kind: str = "", radius_m: float | None = None
) -> float:
    rows = table[(table["measure"] == measure) & (table["kind"] == kind)]
    if radius_m is not None:
        rows = rows[rows["radius_m"] == radius_m]
    assert len(rows) == 1
    return float(rows["value"].iloc[0])


def test_a_patch_area_agrees_with_the_geodesic_one():
    patch = box(-110.26, 31.49, -110.245, 31.51)
    table = describe_landscape(
        place_sites(SITES), dated(layer([patch], "EPSG:4326", kind=["meadow"])), None, JULY
    )
    # pyproj's geodesic area on WGS84, edges densified so that parallels stay parallels
    geodesic, _ = Geod(ellps="WGS84").geometry_area_perimeter(patch.segmentize(0.001))
    assert value(table, "patch_area", "meadow", 5000.0) == pytest.approx(abs(geodesic), rel=1e-3)


@pytest.mark.parametrize("north_m", [200.0, 4000.0, 60_000.0])
def test_a_distance_to_water_agrees_with_the_geodesic_one(north_m):
    longitude, latitude, _ = Geod(ellps="WGS84").fwd(-110.25, 31.5, 25.0, north_m)
    pond = Point(longitude, latitude).buffer(1e-7)
    table = describe_landscape(
        place_sites(SITES), dated(layer([pond], "EPSG:4326", kind=["Pond"])), None, JULY
    )
    assert value(table, "distance_to_water") == pytest.approx(north_m, rel=1e-3)


def test_a_patch_larger_than_the_circle_fills_it():
    wide = layer([Point(0, 0).buffer(20_000)], kind=["forest"])
    table = describe_landscape(place_sites(SITES), dated(wide), None, JULY)
    for radius in (250.0, 1000.0, 5000.0):
        circle = np.pi * radius**2
        assert value(table, "patch_area", "forest", radius) == pytest.approx(circle, rel=1e-3)


def test_patches_of_one_kind_that_overlap_count_once():
    twice = layer([box(-50, -50, 50, 50), box(-50, -50, 50, 50)], kind=["meadow", "meadow"])
    table = describe_landscape(place_sites(SITES), dated(twice), None, JULY)
    assert value(table, "patch_area", "meadow", 250.0) == pytest.approx(10_000, rel=1e-3)


def test_a_patch_counts_only_while_it_stands():
    gone = layer([box(-50, -50, 50, 50)], kind=["meadow"], until=[pd.Timestamp("2034-12-31")])
    table = describe_landscape(place_sites(SITES), dated(gone), None, JULY)
    assert (table["measure"] != "patch_area").all()


def test_fire_gives_a_burned_share_and_years_since():
    fire = layer(
        [box(0, -6000, 6000, 6000), box(-6000, -6000, 6000, 6000)],
        kind=["fire", "fire"],
        **{"from": pd.to_datetime(["2030-07-01", "2040-07-01"])},
    )
    table = describe_landscape(place_sites(SITES), None, dated(fire), JULY)
    assert value(table, "burned_share", "fire", 1000.0) == pytest.approx(0.5, rel=1e-3)
    assert value(table, "years_since_fire", "fire", 1000.0) == pytest.approx(5.0, abs=0.01)


def test_no_fire_near_by_gives_no_years_since_and_none_burned():
    far = layer([box(9000, 0, 9500, 500)], kind=["fire"], **{"from": [pd.Timestamp("2030-07-01")]})
    table = describe_landscape(place_sites(SITES), None, dated(far), JULY)
    assert value(table, "burned_share", "fire", 250.0) == 0
    assert np.isnan(value(table, "years_since_fire", "fire", 250.0))


def test_a_site_given_as_a_polygon_is_measured_from_its_edge():
    polygon = layer([box(-100, -100, 100, 100)], site=["fork"])
    pond = layer([box(400, -10, 420, 10)], kind=["water"])
    table = describe_landscape(place_sites(SITES, polygon), dated(pond), None, JULY)
    assert value(table, "distance_to_water") == pytest.approx(300, rel=1e-3)


def test_a_sound_layer_is_read_without_a_finding(tmp_path):
    path = write(tmp_path, layer([box(0, 0, 90, 90), box(90, 0, 180, 90)], kind=["a", "b"]))
    read, findings = read_layer(path, "habitat", SITES)
    assert findings == []
    assert list(read.columns) == ["kind", "from", "until", "geometry"]
    assert read.crs.to_epsg() == 4326


def test_a_layer_without_crs_is_not_guessed(tmp_path):
    with pytest.warns(UserWarning, match="crs"):
        path = write(tmp_path, layer([box(0, 0, 90, 90)], crs=None, kind=["meadow"]))
    read, findings = read_layer(path, "habitat", SITES)
    assert read is None
    assert findings[0].kind == "no projection"
    assert findings[0].action == "set aside"
    assert findings[0]._fields == FINDING_COLUMNS


@pytest.mark.parametrize(
    ("shape", "crs"),
    [
        (box(590_000, 3_480_000, 590_100, 3_480_100), "EPSG:4326"),  # metres called degrees
        (box(-110.26, 31.49, -110.24, 31.51), "EPSG:32612"),  # degrees called metres
        (box(571_000, 3_485_000, 571_100, 3_485_100), "EPSG:32613"),  # the next zone
        (box(31.49, -110.26, 31.51, -110.24), "EPSG:4326"),  # axes swapped
    ],
)
def test_a_mistaken_crs_is_named(tmp_path, shape, crs):
    read, findings = read_layer(
        write(tmp_path, layer([shape], crs, kind=["meadow"])), "habitat", SITES
    )
    assert read is None
    assert findings[0].kind == "mistaken projection"
    assert findings[0].suggestion


def test_invalid_and_flat_shapes_are_found_by_feature(tmp_path):
    bow = Polygon([(0, 0), (100, 100), (100, 0), (0, 100)])
    path = write(
        tmp_path,
        layer([box(300, 0, 400, 100), bow, LineString([(0, 0), (9, 9)])], kind=["a", "b", "c"]),
    )
    read, findings = read_layer(path, "habitat", SITES)
    assert [(one.row, one.kind, one.action) for one in findings] == [
        (2, "invalid polygon", "kept"),
        (3, "no polygon", "set aside"),
    ]
    assert len(read) == 2
    assert read.geometry.is_valid.all()


def test_polygons_over_the_same_ground_at_the_same_time_are_found(tmp_path):
    shapes = [box(0, 0, 100, 100), box(50, 0, 150, 100), box(0, 0, 100, 100)]
    since = pd.to_datetime([None, None, "2036-01-01"])
    until = pd.to_datetime(["2035-12-31", "2035-12-31", None])
    frame = layer(shapes, kind=["meadow", "forest", "burn"], **{"from": since, "until": until})
    _, findings = read_layer(write(tmp_path, frame), "habitat", SITES)
    assert [(one.row, one.kind) for one in findings] == [(2, "overlapping polygons")]
    assert "0.50 ha" in findings[0].message


def test_a_layer_without_kind_or_that_is_none_says_so(tmp_path):
    with pytest.raises(StudyError, match="no column 'kind'"):
        read_layer(write(tmp_path, layer([box(0, 0, 9, 9)], name=["a"])), "habitat", SITES)
    broken = tmp_path / "events.gpkg"
    broken.write_text("not a layer")
    with pytest.raises(StudyError, match=r"events\.gpkg is no GeoPackage"):
        read_layer(broken, "events", SITES)


def study_folder(folder: Path, habitat: gpd.GeoDataFrame | None) -> Path:
    folder.mkdir()
    (folder / "study.toml").write_text(
        'name = "Invented"\n[species]\n"Selasphorus rufus" = "passage"\n', encoding="utf-8"
    )
    (folder / "sites.csv").write_text(
        "site,latitude,longitude,sensitive\nfork,31.5,-110.25,no\nhidden,31.52,-110.26,yes\n",
        encoding="utf-8",
    )
    rows = "".join(
        f"fork,2035-07-{day:02d},Selasphorus rufus,TEST-{day:05d}\n" for day in range(1, 8)
    )
    (folder / "captures.csv").write_text("site,date,species,band\n" + rows, encoding="utf-8")
    if habitat is not None:
        write(folder, habitat)
    return folder


def test_a_study_carries_its_habitat_and_doubts_about_it(tmp_path):
    square = box(-100, -100, 100, 100)
    layers = layer([square, square.buffer(-10)], kind=["meadow", "pine"])
    study = open_study(study_folder(tmp_path / "study", layers))
    assert set(study.layers) == {"habitat"}
    assert "overlapping polygons" in set(study.findings["kind"])
    assert "habitat.gpkg" in study.inputs
    assert not any("habitat" in told for told in narrowed_answers(study))
    measured = assess_landscape(study, pd.Series(["2035"]), (Window("", 182, 243),))
    meadow = measured[(measured["kind"] == "meadow") & (measured["site"] == "fork")]
    assert meadow["value"].tolist() == pytest.approx([40_000.0] * 3)
    assert set(measured["season"]) == {"2035"}


@pytest.mark.filterwarnings("ignore:'crs' was not provided")  # that is the point
def test_a_layer_without_a_projection_gives_a_finding_and_no_measures(tmp_path):
    nowhere = layer([box(0, 0, 1, 1)], crs=None, kind=["meadow"])
    study = open_study(study_folder(tmp_path / "study", nowhere))
    assert not study.layers
    assert "no projection" in set(study.findings["kind"])
    assert assess_landscape(study, pd.Series(["2035"]), (Window("", 182, 243),)).empty


def test_a_study_without_layers_says_what_it_lacks(tmp_path):
    study = open_study(study_folder(tmp_path / "study", None))
    assert not study.layers
    assert any("habitat" in told for told in narrowed_answers(study))


def test_the_map_of_a_site_shows_its_habitat_and_hides_markup():
    habitat = dated(layer([box(-900, -900, 900, 900)], kind=["meadow <b>"]))
    place = place_sites(SITES).geometry
    drawn = draw_habitat_map("habitat-0", "fork <i>", place, (-110.25, 31.5), habitat, None)
    shapes = ElementTree.fromstring(drawn)
    assert len(shapes.findall(".//*[@class='patch']")) == 2  # the patch and its legend
    assert len(shapes.findall(".//*[@class='ring']")) == 3
    assert "<b>" not in drawn
    assert "<i>" not in drawn


def test_a_map_names_what_is_in_sight_and_the_years_of_fires():
    habitat = dated(
        layer(
            [box(-900, -900, 900, 900), box(50, 50, 90, 90), box(90_000, 0, 91_000, 900)],
            kind=["meadow", "pond", "pine"],
        )
    )
    fires = dated(
        layer(
            [box(200, 200, 700, 700), box(90_000, 0, 91_000, 900)],
            kind=["fire", "fire"],
            **{"from": pd.to_datetime(["2030-07-01", "2033-07-01"])},
        )
    )
    place = place_sites(SITES).geometry
    drawn = draw_habitat_map("habitat-0", "fork", place, (-110.25, 31.5), habitat, fires)
    shapes = ElementTree.fromstring(drawn)
    names = {text.text for text in shapes.iter("{http://www.w3.org/2000/svg}text")} or {
        text.text for text in shapes.iter("text")
    }
    assert {"meadow", "pond", "burned 2030", "1 km", "5 km"} <= names
    assert "pine" not in names
    assert len(shapes.findall(".//*[@class='patch open-water']")) == 2  # the pond, its legend


def test_surroundings_are_told_by_site_in_hectares_and_metres():
    habitat = dated(layer([box(-50, -50, 50, 50), box(0, 200, 10, 210)], kind=["meadow", "pond"]))
    fire = dated(
        layer([box(0, -6000, 6000, 6000)], kind=["fire"], **{"from": [pd.Timestamp("2030-07-01")]})
    )
    measured = describe_landscape(place_sites(SITES), habitat, fire, JULY)
    areas, rest = landscape_tables(measured.assign(season="2035"))
    assert areas.headings == ("site", "habitat", "within 250 m", "within 1 km", "within 5 km")
    assert ("fork", "meadow", "1", "1", "1") in areas.rows  # 100 m by 100 m
    told = dict(zip(rest.headings, rest.rows[0], strict=True))
    assert told["% burned within 1 km"] == "50"
    assert told["years since a fire within 5 km"] == "5"
    assert told["metres to water"] == "200"
