"""Stopover: recovery with residents among the birds, refusals, and why simple ways differ."""

import jax
import numpy as np
import pytest
from scipy.special import gamma

from phenology.models import stopover_likelihood
from phenology.models.refusal import Refused
from phenology.models.stopover import _prepare, fit_stopover
from phenology.models.stopover_simple import compare_simple_stays, total_stay_days_schaub01
from phenology.models.stopover_simulated import simulate_stopover


def test_intervals_cover_stay_and_share_of_residents() -> None:
    inside = {"passage stay": [], "residents among birds present": []}
    for seed in range(20):
        caught, effort, truth = simulate_stopover(np.random.default_rng(100 + seed))
        table = fit_stopover(caught, effort).table.set_index("quantity")
        for name, value in (
            ("passage stay", truth.passage_stay_days),
            ("residents among birds present", truth.share_residents),
        ):
            inside[name].append(table.loc[name, "low"] <= value <= table.loc[name, "high"])
    assert np.mean(inside["passage stay"]) >= 0.75
    assert np.mean(inside["residents among birds present"]) >= 0.7


def test_the_likelihood_sums_all_days_of_entering_and_leaving() -> None:
    """By definition, one bird, day of entry and last day there at a time."""
    effort = np.array([1.0, 0.0, 2.0, 0.5, 0.0, 1.0, 1.5])
    caught = np.zeros((3, 7), dtype=bool)
    for bird, days in enumerate(([0, 3], [2], [2, 3, 5])):
        caught[bird, days] = True
    data = _prepare(caught, effort, residents=True)
    theta = np.concatenate([[1.2, 2.0, -0.5, -1.0, -0.7, 0.4, 0.6], [0.3, -0.2]])
    first, later = np.exp(theta[3:5])[:, None] * data.effort
    entry = np.exp(data.knots @ theta[7:])
    there = 1 / (1 + np.exp(-theta[5]))
    uniform = np.full(7, (1 - there) / 7)
    uniform[0] += there
    scale, shape = np.exp(theta[0]) / gamma(1 + np.exp(-theta[6])), np.exp(theta[6])

    def chances(entry, stays):
        """Chance of each history by class, and of any."""
        seen, ever = np.zeros(3), 0.0
        for start in range(7):
            for last in range(start, 7):
                stay = stays(last - start) - (stays(last - start + 1) if last < 6 else 0)
                there = entry[start] * stay
                days = np.arange(start, last + 1)
                ever += there * -np.expm1(-first[days].sum())
                for bird, history in enumerate(caught):
                    if history[:start].any() or history[last + 1 :].any():
                        continue
                    rate = np.where(days <= history.argmax(), first[days], later[days])
                    seen[bird] += (
                        there * np.where(history[days], -np.expm1(-rate), np.exp(-rate)).prod()
                    )
        return seen, ever

    found = [
        chances(entry / entry.sum(), lambda k: np.exp(-((k / scale) ** shape))),
        chances(uniform, lambda k: np.exp(-k / np.exp(theta[1]))),
    ]
    with jax.enable_x64(True):
        log_density, log_ever = stopover_likelihood.class_log_density(theta, data)
    np.testing.assert_allclose(np.exp(log_ever), [ever for _, ever in found], rtol=1e-9)
    expected = np.stack([seen / ever for seen, ever in found], axis=1)
    np.testing.assert_allclose(np.exp(np.array(log_density)[:3]), expected, rtol=1e-9)


def test_a_few_residents_wreck_the_simple_ways() -> None:
    caught, effort, _ = simulate_stopover(
        np.random.default_rng(1), birds=1500, passage_stay_days=5.0, share_residents=0.12
    )
    two = fit_stopover(caught, effort).table["estimate"].iloc[0]
    one = fit_stopover(caught, effort, residents=False).table["estimate"].iloc[0]
    simple = compare_simple_stays(caught, effort).set_index("method")["days"]
    assert two == pytest.approx(5.0, rel=0.15)
    assert one > 1.5 * 5.0
    assert simple["summed rates"] > 2 * 5.0
    assert simple["after capture, one class"] > 1.5 * 5.0


def test_without_residents_summed_rates_are_length_biased() -> None:
    """Both rates of an exponential stay of 5 days add to about twice its mean."""
    caught, effort, _ = simulate_stopover(
        np.random.default_rng(2), birds=3000, passage_stay_days=5.0, share_residents=0.0
    )
    summed = compare_simple_stays(caught, effort).set_index("method").loc["summed rates", "days"]
    assert 1.5 * 5.0 < summed < 2.3 * 5.0


def test_shyness_after_capture_is_told_apart() -> None:
    caught, effort, truth = simulate_stopover(
        np.random.default_rng(3), birds=2000, later_capture=0.07, first_capture=0.2
    )
    table = fit_stopover(caught, effort).table.set_index("quantity")
    first, later = (
        table.loc["first capture on a usual day"],
        table.loc["later capture on a usual day"],
    )
    assert later["high"] < first["low"]
    stay = table.loc["passage stay"]
    assert stay["low"] <= truth.passage_stay_days <= stay["high"]


def test_unsampled_days_do_not_shorten_the_stay() -> None:
    caught, effort, _ = simulate_stopover(
        np.random.default_rng(4), birds=3000, every=2, passage_stay_days=7.0
    )
    row = fit_stopover(caught, effort).table.iloc[0]
    assert row["low"] <= 7.0 <= row["high"]


def test_few_seen_again_are_refused_with_what_is_needed() -> None:
    caught, effort, _ = simulate_stopover(np.random.default_rng(5), birds=60, later_capture=0.02)
    with pytest.raises(Refused, match="seen on more than one day; a stay needs 20"):
        fit_stopover(caught, effort)


def test_days_of_sampling_too_far_apart_are_refused() -> None:
    caught, effort, _ = simulate_stopover(
        np.random.default_rng(6), birds=4000, every=6, passage_stay_days=4.0,
        first_capture=0.4, later_capture=0.4,
    )  # fmt: skip
    with pytest.raises(Refused):
        fit_stopover(caught, effort)


def test_what_cannot_be_is_named() -> None:
    caught, effort, _ = simulate_stopover(np.random.default_rng(7))
    with pytest.raises(ValueError, match="days without effort"):
        fit_stopover(caught, np.zeros(effort.size))
    with pytest.raises(ValueError, match="birds × 60 days"):
        fit_stopover(caught[:, :10], effort)


def test_total_stay_from_daily_rates() -> None:
    """Schaub et al. 2001 (formula from memory): φ .9, γ .85 give 9.491222 + 6.153129 days."""
    assert -1 / np.log(0.9) == pytest.approx(9.491222, abs=1e-6)
    assert -1 / np.log(0.85) == pytest.approx(6.153129, abs=1e-6)
    assert total_stay_days_schaub01(0.9, 0.85) == pytest.approx(15.644351, abs=1e-6)
