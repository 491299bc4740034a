"""Sites drawn as polygons, in place of a sheet of sites."""

import geopandas as gpd
import pytest
from shapely.geometry import Point, box

from phenology.errors import StudyError
from phenology.sheets.layer import read_site_polygons
from phenology.study.study import open_study


def polygons(study, **more):
    """Squares of 400 m around the stations, in metres of the zone they lie in."""
    sites = study.sites.drop(columns=["latitude", "longitude"])
    points = gpd.points_from_xy(study.sites["longitude"], study.sites["latitude"], crs="EPSG:4326")
    squares = points.to_crs("EPSG:32612").buffer(200, cap_style="square")
    return gpd.GeoDataFrame(sites.assign(**more), geometry=squares, crs="EPSG:32612")


@pytest.mark.parametrize("name", ["sites.gpkg", "sites.geojson"])
def test_polygons_stand_in_for_the_sheet(tmp_path, small, name):
    by_sheet = open_study(small.write(tmp_path / "sheet"))
    folder = small.write(tmp_path / "drawn")
    layer = polygons(small)
    if name.endswith("json"):
        layer = layer.to_crs("EPSG:4326")  # RFC 7946: GeoJSON is in WGS84
    layer.to_file(folder / name)
    (folder / "sites.csv").unlink()
    drawn = open_study(folder)
    for column in ("latitude", "longitude"):
        assert drawn.sites[column].to_list() == pytest.approx(
            by_sheet.sites[column].to_list(), abs=2e-4
        )
    same = ["site", "name", "elevation_m", "timezone", "sensitive"]
    assert drawn.sites[same].astype(str).equals(by_sheet.sites[same].astype(str))
    assert drawn.rows["captures"] == by_sheet.rows["captures"]
    assert set(drawn.inputs) == {"study.toml", "captures.csv", "effort.csv", name}


def test_a_site_without_a_shape_is_set_aside(tmp_path, small):
    folder = small.write(tmp_path / "drawn")
    layer = polygons(small)
    layer.loc[1, "geometry"] = None
    layer.to_file(folder / "sites.gpkg")
    (folder / "sites.csv").unlink()
    study = open_study(folder)
    assert study.sites["site"].tolist() == ["fork"]
    aside = study.set_aside[study.set_aside["sheet"] == "sites"]
    assert aside["row"].tolist() == [3]
    assert "latitude" in aside["reason"].iat[0]


def test_a_sheet_of_sites_goes_before_polygons(tmp_path, small):
    folder = small.write(tmp_path / "both")
    polygons(small, site="elsewhere").to_file(folder / "sites.gpkg")
    assert open_study(folder).sites["site"].tolist() == ["fork", "ridge"]


def test_polygons_without_a_projection_are_refused(tmp_path):
    path = tmp_path / "sites.gpkg"
    layer = gpd.GeoDataFrame({"site": ["fork"]}, geometry=[box(0, 0, 9, 9)])
    with pytest.warns(UserWarning, match="crs"):
        layer.to_file(path)
    with pytest.raises(StudyError, match="which coordinates"):
        read_site_polygons(path)


def test_a_layer_that_names_another_file_is_not_followed(tmp_path):
    # The layer library opens this format by its content and reads the file that it names.
    secret = tmp_path / "elsewhere.geojson"
    gpd.GeoDataFrame({"site": ["fork"]}, geometry=[Point(0, 0)], crs="EPSG:4326").to_file(secret)
    path = tmp_path / "study" / "sites.gpkg"
    path.parent.mkdir()
    path.write_text(
        f'<OGRVRTDataSource><OGRVRTLayer name="elsewhere"><SrcDataSource>{secret}</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    assert len(gpd.read_file(path)) == 1  # the library alone would follow it
    with pytest.raises(StudyError, match="whatever its name says"):
        read_site_polygons(path)
