"""Rates of harm are exact, by class, and those by bander stay private."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy.stats import binomtest

from phenology.assess.incidents import exact_rate, incident_rates, report_incidents
from phenology.estimates import Estimates
from phenology.study.study import open_study


@pytest.mark.parametrize(("incidents", "captures"), [(0, 40), (1, 30), (7, 200), (25, 25)])
def test_intervals_equal_the_exact_ones_of_scipy(incidents: int, captures: int) -> None:
    found = binomtest(incidents, captures).proportion_ci(confidence_level=0.9, method="exact")
    rate, low, high = exact_rate(incidents, captures)
    assert rate == incidents / captures
    assert (low, high) == pytest.approx((found.low, found.high), abs=1e-9)


@pytest.fixture
def study(write_study):
    birds = [
        {"site": "fork", "date": "2031-07-20", "time": "06:30" if number < 30 else "10:10",
         "band": f"TEST-{number}", "species": "Selasphorus rufus", "age": "adult", "sex": "male",
         "trap": "T1" if number < 50 else "T2", "bander": "QQ",
         "released": "" if number > 55 else "injured" if number in (40, 41, 42) else "well"}
        for number in range(60)
    ]  # fmt: skip
    return open_study(write_study(captures=birds))


def test_rates_are_told_by_species_trap_hour_and_heat(study) -> None:
    days = pd.date_range("2031-07-19", "2031-07-21", unit="s")
    site_days = xr.Dataset(
        {"tmax_c": (("site", "date"), np.array([[30.0, 33.0, 30.0]]))},
        coords={"site": ["fork"], "date": days},
    )
    rates = incident_rates(study, site_days).set_index(["by", "class"])
    assert rates.loc[("species", "Selasphorus rufus"), "captures"] == 56  # state noted
    assert rates.loc[("trap", "T1"), "incidents"] == 3
    assert ("trap", "T2") not in rates.index  # six birds
    assert rates.loc[("hour", "6 to 7 h"), "incidents"] == 0
    assert rates.loc[("hour", "10 to 11 h"), "incidents"] == 3
    assert rates.loc[("heat", "30 to 35 °C"), "captures"] == 56
    answers = Estimates()
    report_incidents(rates.reset_index(), answers)
    told = answers.table()
    assert set(told["definition"]) == {
        "", "trap T1", "hour 6 to 7 h", "hour 10 to 11 h", "heat 30 to 35 °C"
    }  # fmt: skip
    assert not told.to_csv().count("QQ")
    assert ("bander", "QQ") in rates.index


def test_a_study_that_notes_no_state_is_refused_a_rate(study) -> None:
    blank = study.captures.assign(released=None)
    rates = incident_rates(
        type(study)(**(vars(study) | {"sheets": study.sheets | {"captures": blank}})), xr.Dataset()
    )
    answers = Estimates()
    report_incidents(rates, answers)
    (row,) = answers.table().to_dict("records")
    assert row["basis"] == "refused"
    assert "not written down" in row["note"]
