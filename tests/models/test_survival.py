"""Survival of locals: recovery of known truth, lost years, transients, refusals."""

import numpy as np
import pytest
from scipy.stats import beta

from phenology.models.recaptures import recapture_table, return_rate
from phenology.models.refusal import Refused
from phenology.models.survival import fit_survival
from phenology.models.survival_simulated import simulate_recaptures


def test_intervals_cover_the_truth() -> None:
    inside = []
    for seed in range(40):
        histories, truth = simulate_recaptures(np.random.default_rng(seed))
        fit = fit_survival(recapture_table(histories))
        for found, value in (
            (fit.survival.iloc[0], truth.survival),
            (fit.recapture.iloc[0], truth.recapture),
        ):
            inside.append(found["low"] <= value <= found["high"])
    assert 0.8 <= np.mean(inside) <= 0.98


def test_a_lost_year_biases_only_the_fit_that_ignores_it() -> None:
    told, ignored = [], []
    sampled = np.array([1, 1, 0, 1, 1, 1, 1], dtype=bool)
    for seed in range(20):
        histories, _ = simulate_recaptures(
            np.random.default_rng(seed), survival=0.55, recapture=0.6
        )
        histories[:, 3] = False
        kept = histories[histories.any(axis=1)]
        table = recapture_table(kept)
        fit = fit_survival(table, sampled=sampled)
        told.append(fit.survival["estimate"].iloc[0])
        ignored.append(fit_survival(table).recapture["estimate"].iloc[0])
        assert np.isnan(fit.recapture["estimate"].iloc[2])
        assert fit.confounded == ()
    assert np.mean(told) == pytest.approx(0.55, abs=0.02)
    assert np.mean(ignored) < 0.56


def test_transients_drag_survival_down_unless_told() -> None:
    plain, apart = [], []
    for seed in range(15):
        histories, _ = simulate_recaptures(
            np.random.default_rng(seed), marked_per_year=80, survival=0.6, recapture=0.6,
            transients=0.4,
        )  # fmt: skip
        table = recapture_table(histories)
        plain.append(fit_survival(table).survival["estimate"].iloc[0])
        apart.append(fit_survival(table, transients=True).survival["estimate"].iloc[0])
    assert np.mean(plain) < 0.55
    assert np.mean(apart) == pytest.approx(0.6, abs=0.02)


def test_recapture_by_effort_finds_its_slope() -> None:
    rng = np.random.default_rng(3)
    log_effort = np.log(rng.uniform(0.3, 3, 11))
    chance = 1 / (1 + np.exp(-(0.2 + 1.0 * log_effort)))
    histories, _ = simulate_recaptures(
        rng, marked_per_year=120, years=12, survival=0.6, recapture=1.0
    )
    first = histories.argmax(axis=1)
    later = np.arange(12) > first[:, None]
    seen = rng.random(histories.shape) < np.concatenate([[1.0], chance])
    histories &= seen | ~later
    design = np.column_stack([np.ones(11), log_effort])
    fit = fit_survival(recapture_table(histories), recapture=design)
    slope, se = fit.coefficients[-1], np.sqrt(fit.covariance[-1, -1])
    assert abs(slope - 1.0) < 3 * se < 0.6


def test_few_returns_are_refused_with_what_is_needed() -> None:
    histories = np.eye(6, dtype=bool)
    with pytest.raises(Refused, match=r"0 birds were caught again .* at least 10"):
        fit_survival(recapture_table(histories))


def test_a_wrong_design_is_named() -> None:
    table = recapture_table(simulate_recaptures(np.random.default_rng(1))[0])
    with pytest.raises(ValueError, match="needs 7 rows"):
        fit_survival(table, survival=np.ones((3, 1)))
    with pytest.raises(ValueError, match="'by month'"):
        fit_survival(table, survival="by month")


def test_return_rates_are_exact_and_censored_in_the_last_season() -> None:
    rates = return_rate([2030] * 20 + [2031] * 8, [True] * 5 + [False] * 23, 2031)
    first, last = rates.iloc[0], rates.iloc[1]
    assert first["estimate"] == 0.25
    assert (first["low"], first["high"]) == pytest.approx(
        (beta.ppf(0.05, 5, 16), beta.ppf(0.95, 6, 15))
    )
    assert np.isnan(last["estimate"])
    assert "last season" in last["refused"]
