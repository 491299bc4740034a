"""One simulated study of the season model, by seed: truth beside estimate."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.season import SeasonModel
from phenology.models.season_answers import DATE_NAMES
from phenology.models.season_simulated import simulate_counts

SCENARIOS = ("dense", "sparse", "missing")
SITES, YEARS, WINDOW_DAYS = 8, 12, 91
FEWEST_BIRDS = 100  # of a simulated study that is worth a fit


def calibration_study(seed: int) -> pd.DataFrame:
    """Dates and numbers of every group, site and season of one study.

    Scenarios go round with the seed: every fourth day at every site; weekly at three sites and one
    day a year at the others; every fourth day with a third of the site-years lost. Roles go round
    too. Studies that catch too few birds are drawn again.
    """
    rng = np.random.default_rng(seed)
    scenario = SCENARIOS[seed % len(SCENARIOS)]
    role = ("passage", "local")[seed // len(SCENARIOS) % 2]
    sampled = _days_worked(scenario, rng)
    birds = 0
    while birds < FEWEST_BIRDS:
        counts, truth = simulate_counts(
            rng, sampled, groups=2, role=role, first_day=180.0, last_day=180.0 + WINDOW_DAYS - 1
        )
        birds = int(counts.count.sum())
    model = SeasonModel(draws=400, method="laplace", seed=seed).fit(counts)
    tables = []
    for name in (*DATE_NAMES, "capture_index"):
        drawn, true = model.draws_[name], truth[name]
        if "role" in drawn.dims:
            drawn, true = drawn.sel(role=role), true.sel(role=role)
        known = true.transpose("group", "site", "season").to_numpy().ravel()
        values = drawn.transpose("draw", "group", "site", "season").to_numpy()
        low, middle, high = np.quantile(values.reshape(len(values), -1), [0.05, 0.5, 0.95], axis=0)
        columns: dict[str, Any] = {"truth": known, "estimate": middle, "low": low, "high": high}
        tables.append(pd.DataFrame(columns).assign(quantity=name))
    return pd.concat(tables, ignore_index=True).assign(
        scenario=f"{scenario}, {role}", oracle_width=np.nan
    )


def _days_worked(scenario: str, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    sampled = np.zeros((SITES, YEARS, WINDOW_DAYS), bool)
    if scenario == "sparse":
        sampled[:3, :, 3::7] = True
        sampled[3:, :, WINDOW_DAYS // 2] = True
        return sampled
    sampled[:, :, 1::4] = True
    if scenario == "missing":
        sampled[rng.random((SITES, YEARS)) < 1 / 3] = False
    return sampled
