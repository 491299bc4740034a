"""Fuel deposition rate: recovery, first-day loss, slips, and what the time of day does to it."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import approx_fprime
from scipy.stats import multivariate_t, norm

from phenology.models import fuel_deposition
from phenology.models.fuel_deposition import (
    deposition_from_time_of_day,
    fit_deposition,
)
from phenology.models.fuel_deposition_simulated import simulate_weighings
from phenology.models.refusal import Refused


def test_intervals_cover_the_truth() -> None:
    inside = []
    for seed in range(30):
        weighings, truth = simulate_weighings(np.random.default_rng(seed), birds=60)
        row = fit_deposition(weighings).groups.iloc[0]
        inside.append(row["low"] <= truth.rate_g_per_day <= row["high"])
    assert 0.8 <= np.mean(inside) <= 0.99


def test_a_first_day_loss_is_told_from_a_slow_gain() -> None:
    weighings, _ = simulate_weighings(
        np.random.default_rng(2), birds=400, rate_g_per_day=0.1, first_day_loss_g=0.12
    )
    fit = fit_deposition(weighings)
    assert fit.groups["estimate"].iloc[0] == pytest.approx(0.1, abs=0.02)
    assert float(fit.draws["first_day_loss_g"].median()) == pytest.approx(0.12, abs=0.04)


def test_the_density_is_a_multivariate_t_and_its_slopes_are_its_own() -> None:
    """Scipy's multivariate t of each bird's gains, from the covariance written out in full."""
    rng = np.random.default_rng(9)
    table, _ = simulate_weighings(rng, birds=12)
    table = table.assign(group=np.where(table["bird"] < 4, "few", "many"))
    cleaned, mean_mass = fuel_deposition._clean(table)
    birds = fuel_deposition._sum_products(cleaned, ["few", "many"], mean_mass)
    theta, phi = rng.normal(0, 0.02, 5), np.array([-3.5, -4.2, -4.0])
    expected = 0.0
    ordered = cleaned.assign(at=cleaned["day"] + cleaned["hour"] / 24).sort_values("at")
    for _, of_bird in ordered.groupby("bird"):
        days, hours = ((of_bird[name] - of_bird[name].iloc[0])[1:] for name in ("at", "hour"))
        gain = (of_bird["mass"] - of_bird["mass"].iloc[0])[1:] / mean_mass
        if gain.empty:
            continue
        rate = theta[0] + theta[3 + (of_bird["group"].iloc[0] == "many")]
        mean = rate * days - theta[1] * days.clip(upper=1) + theta[2] * hours
        scale = np.exp(2 * phi[0]) * (np.eye(len(gain)) + 1) + np.exp(2 * phi[1]) * np.outer(
            days, days
        )
        expected -= multivariate_t(mean, scale, df=5).logpdf(gain.to_numpy())
    spread = [0.05, 0.02, 0.01, np.exp(phi[2]), np.exp(phi[2])]
    expected -= norm(0, spread).logpdf(theta).sum() + 5 * np.log(np.sqrt(2 * np.pi))
    expected += 0.5 * (((phi - [-4.0, -4.0, -4.5]) / 0.8) ** 2).sum()
    value, slope, bend = fuel_deposition._negative_log_joint(theta, phi, birds)
    assert value == pytest.approx(expected, abs=1e-9)

    def at(moved: np.ndarray, part: int) -> np.ndarray:
        return fuel_deposition._negative_log_joint(moved, phi, birds)[part]

    np.testing.assert_allclose(slope, approx_fprime(theta, at, 1e-7, 0), rtol=1e-4, atol=1e-2)
    np.testing.assert_allclose(bend, approx_fprime(theta, at, 1e-7, 1), rtol=1e-4, atol=1e-1)


def test_a_slip_of_the_pen_moves_little() -> None:
    weighings, truth = simulate_weighings(np.random.default_rng(3), birds=80, rate_g_per_day=0.1)
    slipped = weighings.copy()
    slipped.loc[slipped.groupby("bird").tail(1).index[0], "mass_g"] *= 10
    clean, dirty = (fit_deposition(table).groups.iloc[0] for table in (weighings, slipped))
    assert abs(dirty["estimate"] - clean["estimate"]) < 0.5 * (clean["high"] - clean["low"])
    assert truth.rate_g_per_day == 0.1


def test_groups_are_told_apart_and_a_rare_one_borrows() -> None:
    rng = np.random.default_rng(5)
    parts = []
    for name, rate, birds in (("fast", 0.2, 80), ("slow", 0.0, 80), ("rare", 0.2, 3)):
        part, _ = simulate_weighings(rng, birds=birds, rate_g_per_day=rate, first_day_loss_g=0.0)
        parts.append(part.assign(bird=name + part["bird"].astype(str), group=name))
    rows = fit_deposition(pd.concat(parts, ignore_index=True)).groups.set_index("group")
    assert rows.loc["fast", "low"] > rows.loc["slow", "high"]
    width = rows["high"] - rows["low"]
    assert width["rare"] > 1.5 * width["fast"]


def test_without_repeats_it_is_refused() -> None:
    once = pd.DataFrame({"bird": range(50), "day": 1.0, "mass_g": 3.2})
    with pytest.raises(Refused, match="0 birds were weighed again"):
        fit_deposition(once)


def test_time_of_day_misleads_where_fat_birds_come_late() -> None:
    """No bird gains, yet mass rises with the hour because fat birds come later."""
    rng = np.random.default_rng(6)
    fuel = rng.uniform(0, 0.3, 500)
    hour = 1 + 5 * fuel / 0.3 + rng.normal(0, 0.5, 500)
    mass = 3.2 * (1 + fuel) + rng.normal(0, 0.05, 500)
    slope = np.polyfit(hour, mass, 1)[0]
    assert deposition_from_time_of_day(slope, active_hours=13.0) > 1.0
