"""Bands between sites."""

import pandas as pd
import pytest

from phenology.movements import COLUMNS, band_movements

SITES = pd.DataFrame(
    {
        "site": ["peak", "town", "far"],
        "latitude": [-37.9510334166667, -37.6528211388889, 10.0],
        "longitude": [144.424867888889, 143.926495527778, 10.0],
    }
)


def _captures(*rows: tuple[str | None, str, str]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["band", "site", "date"])
    return table.assign(date=pd.to_datetime(table["date"]), species="Selasphorus rufus")


def test_distance_is_vincentys() -> None:
    """Vincenty's example, Flinders Peak to Buninyong: 54,972.271 m on GRS80 (WGS84: < 1 mm off)."""
    moved = band_movements(
        _captures(("TEST-00001", "peak", "2031-07-01"), ("TEST-00001", "town", "2031-07-05")), SITES
    )
    assert moved["distance_km"].iloc[0] == pytest.approx(54.972271, abs=1e-5)
    assert moved["days"].iloc[0] == 4


def test_every_move_is_a_row_and_staying_is_none() -> None:
    moved = band_movements(
        _captures(
            ("TEST-00001", "peak", "2031-07-01"),
            ("TEST-00001", "peak", "2031-07-02"),
            ("TEST-00001", "town", "2031-07-03"),
            ("TEST-00001", "peak", "2032-07-03"),
            ("TEST-00002", "town", "2031-07-03"),
            (None, "peak", "2031-07-01"),
            (None, "town", "2031-07-02"),
        ),
        SITES,
    )
    assert moved[["from_site", "to_site"]].values.tolist() == [["peak", "town"], ["town", "peak"]]
    assert moved["days"].tolist() == [1, 366]


def test_no_movement_is_an_empty_table() -> None:
    moved = band_movements(_captures(("TEST-00001", "peak", "2031-07-01")), SITES)
    assert moved.empty
    assert list(moved.columns) == COLUMNS
