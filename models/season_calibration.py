"""One simulated study of the season model, by seed: truth beside estimate."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.models.season import SeasonModel
from phenology.models.season_answers import DATE_NAMES
from phenology.models.season_calibration_birds import individual_study
from phenology.models.season_counts import SeasonCounts
from phenology.models.season_simulated import simulate_counts

Array = npt.NDArray[Any]

SCENARIOS = ("dense", "sparse", "missing")
ROLES_IN_TURN = ("passage", "local", "mixed")  # mixed ones where sampled: see `SeasonModel`
SITES, YEARS, WINDOW_DAYS = 8, 12, 91
FEWEST_BIRDS = 100  # of a simulated study that is worth a fit
INDIVIDUAL_EVERY = 8  # one in so many studies is also an individual-based one
TRAIT_DISTANCE = 2.0  # of local from passage birds of mixed species [sd]


def calibration_study(seed: int) -> pd.DataFrame:
    """Dates, numbers and shifts of one study of 8 sites and 12 years, by the quick method.

    Scenarios go round with the seed: every fourth day at every site; weekly at three sites and one
    day a year at the others; every fourth day with a third of the site-years lost. Local and
    passage take turns too. Bloom and onset are drivers whose slopes are drawn from their priors.
    Studies that catch too few birds are drawn again, which biases nothing: the posterior is
    conditional on the counts. Every eighth study an individual-based one is added.
    """
    rng = np.random.default_rng(seed)
    scenario = SCENARIOS[seed % len(SCENARIOS)]
    role = ROLES_IN_TURN[seed // len(SCENARIOS) % 2]
    sampled = _days_worked(scenario, rng)
    drivers = {"bloom": rng.normal(size=(SITES, YEARS)), "onset": rng.normal(size=(SITES, YEARS))}
    counts, truth = _worth_a_fit(rng, sampled, role, drivers)
    model = SeasonModel(draws=400, seed=seed).fit(counts)
    own = _told_and_true(model, truth, role, rng).assign(scenario=f"{scenario}, {role}")
    if seed % INDIVIDUAL_EVERY:
        return own
    return pd.concat([own, individual_study(seed)], ignore_index=True)


def sampled_study(seed: int) -> pd.DataFrame:
    """Dates and numbers of one thin study, 2 sites and 2 years, sampled by NUTS.

    Every sixth day at one site and one day a year at the other; roles go round with the seed, and
    mixed species have traits.
    """
    rng = np.random.default_rng(seed)
    role = ROLES_IN_TURN[seed % len(ROLES_IN_TURN)]
    sampled = np.zeros((2, 2, WINDOW_DAYS), bool)
    sampled[0, :, 3::6] = True
    sampled[1, :, WINDOW_DAYS // 2] = True
    counts, truth = _worth_a_fit(rng, sampled, role, {})
    model = SeasonModel(draws=400, method="sampled", seed=seed).fit(counts)
    return _told_and_true(model, truth, role, rng).assign(scenario=f"thin, {role}")


def _worth_a_fit(
    rng: np.random.Generator, sampled: Array, role: str, drivers: dict[str, Array]
) -> tuple[SeasonCounts, xr.Dataset]:
    while True:
        counts, truth = simulate_counts(
            rng,
            sampled,
            groups=2,
            role=role,
            first_day=180.0,
            last_day=180.0 + WINDOW_DAYS - 1,
            drivers=drivers,
            trait_distance=TRAIT_DISTANCE if role == "mixed" else 0.0,
        )
        if counts.count.sum() >= FEWEST_BIRDS * len(sampled) / SITES:
            return counts, truth


def _told_and_true(
    model: SeasonModel, truth: xr.Dataset, role: str, rng: np.random.Generator
) -> pd.DataFrame:
    """Quantiles of every answer beside its truth; a rank of the truth for one of each kind.

    Ranks of answers of one study hang together, so that one of each kind is drawn.
    """
    names = [*DATE_NAMES, "capture_index"]
    tables = []
    for name in [*names, *(["driver_effect"] if "driver_effect" in truth else [])]:
        drawn = model.draws_[name].transpose("draw", ...)
        known = truth[name].transpose(*drawn.dims[1:]).to_numpy()
        modelled = drawn.notnull().all("draw").to_numpy() & _acting(name, truth, role)
        values, known = drawn.to_numpy()[:, modelled], known[modelled]
        if name == "capture_index":  # a ratio: its logarithm errs alike either way
            values, known = np.log(values), np.log(known)
        low, middle, high = np.quantile(values, [0.05, 0.5, 0.95], axis=0)
        rank = np.full(len(known), np.nan)
        one = rng.integers(len(known))
        below, at = (values[:, one] < known[one]).mean(), (values[:, one] == known[one]).mean()
        rank[one] = below + rng.random() * at
        columns = {"truth": known, "estimate": middle, "low": low, "high": high, "rank": rank}
        told = f"log_{name}" if name == "capture_index" else name
        tables.append(pd.DataFrame(columns).assign(quantity=told))
    return pd.concat(tables, ignore_index=True).assign(oracle_width=np.nan)


def _acting(name: str, truth: xr.Dataset, role: str) -> Any:
    """Which of a driver's shifts the modelled role has."""
    if name != "driver_effect":
        return True
    of_local = np.isin(truth["moved"], ["rise", "fall", "local_level"])
    return {"local": of_local, "passage": ~of_local, "mixed": np.full(len(of_local), True)}[role]


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
