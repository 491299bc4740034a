"""Survival of European dippers, 7 yearly occasions.

Lebreton et al. 1992, Ecological Monographs 62:67-118: table of first recaptures rebuilt from the
open capture histories; estimates computed and equal to the published ones.
"""

import numpy as np
import pytest

from phenology.models.recaptures import RecaptureTable, reversed_in_time
from phenology.models.survival import fit_survival

RELEASED = np.array([22, 60, 78, 80, 88, 98])
RECAUGHT = np.array(
    [
        [11, 2, 0, 0, 0, 0],
        [0, 24, 1, 0, 0, 0],
        [0, 0, 34, 2, 0, 0],
        [0, 0, 0, 45, 1, 2],
        [0, 0, 0, 0, 51, 0],
        [0, 0, 0, 0, 0, 52],
    ]
)
CAUGHT_LAST = 93  # birds caught on occasion 7, from the histories
DIPPERS = RecaptureTable(
    np.stack([RELEASED, np.zeros(6, int)]), np.stack([RECAUGHT, np.zeros((6, 6), int)]), CAUGHT_LAST
)
FLOOD = np.array([[1, 0, 0, 1, 1, 1], [0, 1, 1, 0, 0, 0]], dtype=float).T


def test_both_constant() -> None:
    fit = fit_survival(DIPPERS, interval=0.95)
    survival, recapture = fit.survival.iloc[0], fit.recapture.iloc[0]
    assert survival["estimate"] == pytest.approx(0.56024301, abs=1e-8)
    assert survival["se"] == pytest.approx(0.02513295, abs=1e-8)
    assert (survival["low"], survival["high"]) == pytest.approx((0.51055, 0.60876), abs=1e-5)
    assert recapture["estimate"] == pytest.approx(0.90258353, abs=1e-8)
    assert recapture["se"] == pytest.approx(0.02858572, abs=1e-8)
    assert (recapture["low"], recapture["high"]) == pytest.approx((0.83048, 0.94601), abs=1e-5)
    assert fit.minus_two_log_likelihood == pytest.approx(666.837663, abs=1e-6)
    assert fit.confounded == ()


def test_survival_by_year() -> None:
    fit = fit_survival(DIPPERS, survival="by year")
    expected = [0.625835, 0.454191, 0.478377, 0.624404, 0.607944, 0.583298]
    np.testing.assert_allclose(fit.survival["estimate"], expected, atol=1e-6)
    assert fit.recapture["estimate"].iloc[0] == pytest.approx(0.902066, abs=1e-6)
    assert fit.minus_two_log_likelihood == pytest.approx(659.73009, abs=1e-5)


def test_recapture_by_year() -> None:
    fit = fit_survival(DIPPERS, recapture="by year")
    assert fit.survival["estimate"].iloc[0] == pytest.approx(0.55309, abs=1e-5)
    assert fit.minus_two_log_likelihood == pytest.approx(664.48017, abs=1e-5)


def test_both_by_year_tell_only_the_last_product() -> None:
    fit = fit_survival(DIPPERS, survival="by year", recapture="by year")
    assert fit.minus_two_log_likelihood == pytest.approx(656.95021, abs=1e-5)
    assert fit.last_product[0] == pytest.approx(0.53061, abs=1e-5)
    assert fit.last_product[1] < 0.53061 < fit.last_product[2]
    assert fit.confounded == ("survival of interval 6", "recapture of occasion 7")
    assert np.isnan(fit.survival["estimate"].iloc[-1])
    assert fit.survival["estimate"].iloc[:-1].notna().all()


def test_flood_intervals() -> None:
    fit = fit_survival(DIPPERS, survival=FLOOD)
    assert fit.survival["estimate"].iloc[1] == pytest.approx(0.468827, abs=1e-6)
    assert fit.survival["estimate"].iloc[0] == pytest.approx(0.607096, abs=1e-6)
    assert fit.recapture["estimate"].iloc[0] == pytest.approx(0.899789, abs=1e-6)
    assert fit.minus_two_log_likelihood == pytest.approx(660.102775, abs=1e-6)


def test_seniority_needs_the_birds_of_the_last_occasion() -> None:
    fit = fit_survival(reversed_in_time(DIPPERS))
    assert fit.survival["estimate"].iloc[0] == pytest.approx(0.485229, abs=1e-6)
    assert fit.survival["se"].iloc[0] == pytest.approx(0.023608, abs=1e-6)
    assert fit.recapture["estimate"].iloc[0] == pytest.approx(0.893173, abs=1e-6)
    only_recaught = DIPPERS._replace(caught_last=int(RECAUGHT[:, -1].sum()))
    without = fit_survival(reversed_in_time(only_recaught))
    assert without.survival["estimate"].iloc[0] == pytest.approx(0.524, abs=5e-4)
    assert without.recapture["estimate"].iloc[0] == pytest.approx(0.897, abs=5e-4)
