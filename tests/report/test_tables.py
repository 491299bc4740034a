"""Tables of the report: complete, countable and fit to share."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Geod

from phenology.places import coarsen_sites
from phenology.report.stays import gains
from phenology.report.tables import report_tables, role_of


def test_lost_seasons_have_rows_without_days(assessment) -> None:
    seasons = report_tables(assessment)["seasons_sampled"].set_index(["site", "season"])
    assert seasons.loc[("fork", "2031"), "days"] == 0
    assert seasons.loc[("fork", "2032"), "days"] == 23
    assert int(seasons["birds"].sum()) == len(assessment.captures)


def test_timing_stands_side_by_side_and_untold_dates_are_missing(assessment) -> None:
    timing = report_tables(assessment)["timing"].set_index(["site", "season", "group", "role"])
    local = timing.loc[("fork", "2032", "Archilochus alexandri adult female", "local")]
    assert np.isnan(local["arrival_day"])
    assert local["peak_day_low"] < local["peak_day"] < local["peak_day_high"]
    estimates = assessment.estimates
    peaks = estimates[(estimates["quantity"] == "peak_day") & (estimates["site"] == "fork")]
    assert local["peak_day"] in set(peaks["estimate"])


def test_nothing_private_is_in_any_table(assessment) -> None:
    for name, table in report_tables(assessment).items():
        text = table.to_csv()
        assert "Q. Private" not in text, name
        assert "gate key" not in text, name
        assert "TEST-0" not in text, name
        assert "33.47" not in text, name


def test_every_refusal_is_listed(assessment) -> None:
    refused = report_tables(assessment)["refused"]
    assert len(refused) == (assessment.estimates["basis"] == "refused").sum()
    assert refused["reason"].str.len().min() > 10


def test_harm_is_counted_by_species(assessment) -> None:
    welfare = report_tables(assessment)["welfare"]
    assert welfare["captures"].sum() == len(assessment.captures)
    assert welfare["injured"].sum() == 1
    captures = assessment.captures
    minutes = (captures["release_time"] - captures["time"]) * 60
    assert welfare["over_limit"].sum() == (minutes > 20).sum()


def test_the_permit_office_finds_its_last_year_without_banders(assessment) -> None:
    shared = report_tables(assessment)["permit_year"]
    captures = assessment.study.captures
    year = captures["date"].dt.year.max()
    counted = shared.loc[shared["part"] == "captures", "value"].sum()
    assert set(shared["year"]) == {year}
    assert counted == (captures["date"].dt.year == year).sum()
    assert set(shared["part"]) == {"bands", "captures", "incidents", "effort"}


def test_role_follows_the_longest_species_name_and_the_site(assessment) -> None:
    options = assessment.study.options
    assert role_of("Selasphorus rufus adult male", "fork", options) == "passage"
    assert role_of("Selasphorus sasin adult male", "fork", options) == "mixed"


@given(
    latitude=st.floats(-80, 80),
    longitude=st.floats(-179, 179),
    coarsen_km=st.floats(1, 100),
)
def test_a_sensitive_site_stays_within_half_the_diagonal_of_its_square(
    latitude: float, longitude: float, coarsen_km: float
) -> None:
    sites = pd.DataFrame(
        {"site": ["a"], "name": ["n"], "latitude": [latitude], "longitude": [longitude],
         "elevation_m": [1234.0], "sensitive": pd.array([True], dtype="boolean")}
    )  # fmt: skip
    moved = coarsen_sites(sites, coarsen_km).iloc[0]
    # Distance on the WGS84 ellipsoid by PROJ (pyproj.Geod), outside our own arithmetic.
    _, _, metres = Geod(ellps="WGS84").inv(
        longitude, latitude, moved["longitude"], moved["latitude"]
    )
    assert metres / 1000 <= coarsen_km * np.sqrt(2) / 2 * 1.15
    assert moved["name"] == ""
    assert moved["elevation_m"] == 1250


def test_an_open_site_is_not_moved_and_neighbours_share_a_square() -> None:
    sites = pd.DataFrame(
        {"site": ["open", "a", "b"], "name": ["x", "y", "z"], "latitude": [33.47, 33.47, 33.471],
         "longitude": [-108.91, -108.91, -108.911], "elevation_m": [2400.0] * 3,
         "sensitive": pd.array([False, True, True], dtype="boolean")}
    )  # fmt: skip
    shown = coarsen_sites(sites, 10).set_index("site")
    assert shown.loc["open", "latitude"] == 33.47
    assert shown.loc["a", ["latitude", "longitude"]].equals(
        shown.loc["b", ["latitude", "longitude"]]
    )
    assert shown.loc["a", "latitude"] != pytest.approx(33.47, abs=1e-6)


def test_gains_count_from_the_first_weighing_of_a_stay_and_name_no_band() -> None:
    captures = pd.DataFrame(
        {
            "band": ["TEST-00001"] * 3, "site": "fork", "group": "Selasphorus rufus young",
            "date": pd.to_datetime(["2031-08-01", "2031-08-03", "2031-08-04"]),
            "time": 8.0, "mass_g": [3.0, 3.3, 3.6], "gravid": pd.NA,
        }
    )  # fmt: skip
    kinds = {"group": ["Selasphorus rufus young"], "species": ["Selasphorus rufus"],
             "role": ["passage"]}  # fmt: skip
    told = gains(captures, pd.DataFrame(kinds))
    assert told["days"].tolist() == [2, 3]
    assert told["gain"].round(6).tolist() == [0.1, 0.2]
    assert not told.eq("TEST-00001").any(axis=None)
