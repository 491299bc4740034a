"""Small studies end in an answer or a refusal in words, never in a traceback."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenology import assess_study, open_study

WriteStudy = Callable[..., Path]


def test_a_study_of_six_birds_claims_no_more_than_they_teach(write_study: WriteStudy) -> None:
    birds = [
        {
            "site": "fork",
            "date": "2031-07-20",
            "band": f"TEST-{number}",
            "species": "Selasphorus rufus",
            "age": "adult",
            "sex": "male",
        }
        for number in range(6)
    ]
    told = assess_study(open_study(write_study(captures=birds))).estimates
    assert set(told.loc[told["quantity"] == "fuel_load", "basis"]) == {"refused"}
    dates = told[told["quantity"].isin(["arrival_day", "peak_day", "departure_day"])]
    assert len(dates) > 0
    assert not (dates["basis"] == "measured").any()


@pytest.fixture(scope="module")
def passage() -> list[dict[str, object]]:
    rng = np.random.default_rng(7)
    birds = []
    for year in (2031, 2032, 2033):
        for day in range(190, 250, 2):
            expected = 4 * np.exp(-(((day - 215) / 9) ** 2) / 2)
            date = pd.Timestamp(year, 1, 1) + pd.Timedelta(days=day - 1)
            for number in range(rng.poisson(expected)):
                fat = int(rng.integers(0, 4))
                mass = 3.2 * (1 + 0.08 * fat) * np.exp(rng.normal(0, 0.03))
                birds.append(
                    {
                        "site": "fork",
                        "date": f"{date:%Y-%m-%d}",
                        "time": "08:30",
                        "band": f"TEST-{year}{day}{number}",
                        "species": "Selasphorus rufus",
                        "age": "adult",
                        "sex": "male",
                        "wing_mm": f"{rng.normal(40, 0.8):.1f}",
                        "mass_g": f"{mass:.2f}",
                        "fat": fat,
                        "remarks": "left leg",
                        "bander": "ZZ",
                    }
                )
    return birds


def test_the_same_sheets_and_seed_give_the_same_numbers(
    write_study: WriteStudy, passage: list[dict[str, object]]
) -> None:
    study = open_study(write_study(captures=passage))
    first, second = assess_study(study), assess_study(study)
    pd.testing.assert_frame_equal(first.estimates, second.estimates)
    peak = first.estimates.query("quantity == 'peak_day' and season == '2032'").iloc[0]
    assert peak["low"] <= 215 <= peak["high"]
    assert abs(peak[["share_own", "share_borrowed", "share_prior"]].sum() - 1) < 1e-6
    assert not {"remarks", "bander"} & set(first.captures.columns)
