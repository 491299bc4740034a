"""Figures of bloom, energy and the monsoon carry the numbers they claim."""

import numpy as np
import pandas as pd
import pytest

from phenology.report.drivers import energy_figures, plant_figures, skill_words
from phenology.report.figures import draw_bloom_curves, draw_energy

DAYS = np.arange(150, 201)


def data_of(chart, name: str) -> pd.DataFrame:
    return pd.DataFrame(chart.to_dict()["datasets"][name])


def plants(site: str = "fork") -> pd.DataFrame:
    return pd.DataFrame(
        {"site": site, "season": "2031", "plant": "sage", "day": DAYS, "flowers_per_m2": 0.5,
         "low": 0.2, "high": 0.9}
    )  # fmt: skip


def surveys() -> pd.DataFrame:
    return pd.DataFrame(
        {"site": "fork", "season": ["2031", "2031", "2030"], "plant": "sage",
         "day": [160, 180, 170], "flowers_per_m2": [0.4, 0.0, 7.0],
         "date": ["2031-06-09", "2031-06-29", "2030-06-19"]}
    )  # fmt: skip


def test_surveys_stand_as_points_beside_the_curve():
    rows = data_of(draw_bloom_curves(plants(), surveys().head(2), "2031"), "days")
    points = rows[rows["what"] == "survey"]
    assert points["flowers_per_m2"].tolist() == [0.4, 0.0]
    assert (rows["what"] == "estimate").sum() == len(DAYS)


def test_only_the_surveys_of_the_season_drawn_are_shown():
    (figure,) = plant_figures(plants(), surveys(), ["fork", "ridge"])
    rows = data_of(figure.chart, "days")
    assert rows["flowers_per_m2"].max() == 0.5
    assert "fork" in figure.caption


def test_energy_has_a_panel_for_each_offer_that_is_known():
    days = pd.DataFrame(
        {"site": "fork", "season": "2031", "day": DAYS, "feeder_energy_kj": 1500.0,
         "feeder_energy_kj_low": 1400.0, "feeder_energy_kj_high": 1600.0,
         "birds_fed_by_feeders": 46.2, "flower_energy_kj_per_ha": np.nan,
         "flower_energy_kj_per_ha_low": np.nan, "flower_energy_kj_per_ha_high": np.nan}
    )  # fmt: skip
    (figure,) = energy_figures(days, ["fork"])
    rows = data_of(figure.chart, "energy")
    assert rows["offered"].unique().tolist() == ["feeders, kJ a day"]
    assert rows["birds"].unique().tolist() == ["feeds 46 birds"]
    assert not energy_figures(days.assign(feeder_energy_kj=np.nan), ["fork"])


def test_both_offers_share_one_scale():
    days = pd.DataFrame(
        {"offered": ["feeders", "flowers"], "day": 170, "date": "19 June", "energy_kj": 900.0,
         "low": 800.0, "high": 1000.0, "birds": ""}
    )  # fmt: skip
    chart = draw_energy(days, "2031").to_dict()
    assert "y" not in chart.get("resolve", {}).get("scale", {})


@pytest.mark.parametrize(("model", "told"), [(0.4, "2 of 2"), (1.2, "0 of 2")])
def test_a_model_that_loses_says_so(model, told):
    skill = pd.DataFrame(
        {"season": [2031, 2032], "error_model": model, "error_mean_curve": [0.7, 0.9]}
    )
    assert told in skill_words(skill)
