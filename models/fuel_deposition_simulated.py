"""Birds weighed again in one stay, from the deposition model's own family."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd


class WeighingTruth(NamedTuple):
    """Mean rate over birds, first-day loss, error of a weighing."""

    rate_g_per_day: float
    first_day_loss_g: float
    weighing_error_g: float


def simulate_weighings(
    rng: np.random.Generator,
    *,
    birds: int = 80,
    mean_mass_g: float = 3.4,
    rate_g_per_day: float | None = None,
    first_day_loss_g: float | None = None,
) -> tuple[pd.DataFrame, WeighingTruth]:
    """Simulate birds weighed two to four times in one stay, rates and loss drawn where not given.

    Examples
    --------
    >>> weighings, truth = simulate_weighings(np.random.default_rng(1), birds=3)
    >>> weighings["bird"].nunique()
    3
    """
    rate = rng.normal(0.08, 0.05) if rate_g_per_day is None else rate_g_per_day
    loss = abs(rng.normal(0, 0.05)) if first_day_loss_g is None else first_day_loss_g
    error, spread, hour_gain = 0.05, 0.05, 0.02
    rows = []
    for bird in range(birds):
        start, first_hour = mean_mass_g * np.exp(rng.normal(0, 0.1)), rng.uniform(6, 11)
        own = rng.normal(rate, spread)
        at = np.concatenate([[0], np.cumsum(rng.geometric(0.35, rng.integers(1, 4)))])
        for days in at:
            hour = first_hour if days == 0 else rng.uniform(6, 11)
            elapsed = days + (hour - first_hour) / 24
            mass = start + own * elapsed - loss * min(elapsed, 1)
            mass += hour_gain * (hour - first_hour) + error * rng.standard_t(5)
            rows.append({"bird": bird, "day": float(days), "hour": hour, "mass_g": round(mass, 2)})
    return pd.DataFrame(rows), WeighingTruth(rate, loss, error)
