"""Figures of bloom and energy carry the numbers they claim."""

import altair as alt
import numpy as np
import pandas as pd
import pytest

from phenology.bloom import daily_bloom
from phenology.bloom_figures import chart_bloom, chart_energy, energy_days
from phenology.models.energy import feeder_solution

SITES = pd.DataFrame({"site": ["fork"], "latitude": [31.5]})
DATES = pd.date_range("2031-06-15", "2031-08-31", unit="s")
SURVEYS = pd.DataFrame(
    {
        "site": "fork",
        "date": pd.to_datetime(["2031-06-20", "2031-07-15", "2031-08-10"]).astype("datetime64[s]"),
        "plant": "sage",
        "open_flowers": [10.0, 80.0, 20.0],
        "area_m2": 100.0,
        "complete": pd.array([True] * 3, dtype="boolean"),
    }
)
SUGAR = pd.DataFrame(
    {"plant": ["sage"], "nectar_mg_per_flower_day": [2.0], "low": [1.5], "high": [2.5]}
)
FEEDERS = pd.DataFrame(
    {
        "site": ["fork"],
        "from": pd.to_datetime(["2031-07-01"]),
        "until": pd.to_datetime(["2031-07-31"]),
        "litres_filled_per_day": [2.0],
        "water_to_sugar": [4.0],
    }
)


def rows_of(chart: alt.FacetChart) -> pd.DataFrame:
    (rows,) = chart.to_dict()["datasets"].values()
    return pd.DataFrame(rows)


def test_surveys_stand_as_points_beside_the_curve():
    told = daily_bloom(SURVEYS, None, SITES, DATES, None, 1)
    rows = rows_of(chart_bloom(told, SURVEYS, "fork", 2031))
    points = rows[rows["what"] == "survey"]
    assert points["flowers"].tolist() == [0.1, 0.8, 0.2]
    assert len(rows[rows["what"] == "estimate"]) == len(DATES)


def test_energy_of_flowers_needs_sugar_and_feeders_count_only_while_they_hang():
    relative = daily_bloom(SURVEYS, None, SITES, DATES, None, 1)
    days = energy_days(relative, FEEDERS, "fork", 2031, 1)
    assert set(days["offered"]) == {"feeders"}
    hung = days["date"].dt.month == 7
    assert (days.loc[~hung, "estimate"] == 0).all()
    expected = 2000 * feeder_solution(4.0).kj_per_ml
    np.testing.assert_allclose(days.loc[hung, "estimate"], expected, rtol=0.01)
    absolute = daily_bloom(SURVEYS, SUGAR, SITES, DATES, None, 1)
    both = energy_days(absolute, FEEDERS, "fork", 2031, 1)
    assert set(both["offered"]) == {"feeders", "flowers of a hectare"}
    assert len(rows_of(chart_energy(both))) == 2 * len(DATES)
    assert energy_days(relative, None, "fork", 2031, 1).empty


def test_flowers_of_a_hectare_hold_what_their_sugar_burns_to():
    absolute = daily_bloom(SURVEYS, SUGAR, SITES, DATES, None, 1)
    days = energy_days(absolute, None, "fork", 2031, 1).set_index("date")
    nectar_mg = absolute["nectar"].sel(site="fork").to_series()
    # 1 mg/m2 is 10 g/ha; sucrose burns at 16.487 kJ/g (NIST WebBook)
    july = pd.Timestamp("2031-07-15")
    assert days.loc[july, "estimate"] == pytest.approx(nectar_mg[july] * 10 * 16.487, rel=1e-3)
