"""What a plan of sampling would show: widths of answers from simulated and fitted studies.

A plan is a number of sites, of seasons and of days a season at each site. Studies are simulated
under it with the habits of birds that an earlier fit found, fitted again, and the widths of
their 90 % intervals averaged. A change of size

    d = (z.95 + z.80)·s,   s = width / (2·z.95),

is seen (its 90 % interval leaves out zero) with a power of 80 %; between two seasons s grows by √2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from phenology.models.refusal import Refused
from phenology.models.season import SeasonModel
from phenology.models.season_counts import SeasonCounts
from phenology.models.season_forecast import Posterior
from phenology.models.season_predictors import PREDICTORS, SCALES
from phenology.models.season_simulated import simulate_counts
from phenology.models.support_calibration import compare_with_truth
from phenology.models.support_simulated import simulate_support
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

Array = npt.NDArray[Any]
Z_INTERVAL, Z_POWER = 1.6449, 0.8416  # quantiles .95 and .80 of the standard normal
DRAWS, POINTS = 200, 24  # of a simulated study: its width is averaged with others


@dataclass(frozen=True)
class Habits:
    """What an earlier fit found of the birds of one species.

    Attributes
    ----------
    groups : array, shape (group, predictor)
        Coefficients of each group's curve.
    scales : dict of str to float
        Standard deviations by name of `SCALES`, and `dispersion`.
    role : str
    first_day, last_day : float
        Window [day of year].
    """

    groups: Array
    scales: dict[str, float]
    role: str
    first_day: float
    last_day: float


@dataclass(frozen=True)
class Plan:
    """Days a season at each site, sites, seasons."""

    days: int
    sites: int
    seasons: int

    @property
    def total_days(self) -> int:
        """Days of work in all."""
        return self.days * self.sites * self.seasons


def habits_of(posterior: Posterior, counts: SeasonCounts) -> Habits:
    """Median coefficients and standard deviations of a fitted season model."""
    number = len(counts.groups)
    shared = np.median(posterior.coefficients.shared, axis=0)
    hyper = np.exp(np.median(posterior.hyper, axis=0))
    return Habits(
        groups=shared[: number * len(PREDICTORS)].reshape(number, -1),
        scales=dict(zip([*SCALES, "dispersion"], hyper.tolist(), strict=True)),
        role=counts.roles[0],
        first_day=counts.first_day,
        last_day=counts.last_day,
    )


def simulate_plan(plan: Plan, habits: Habits, rng: np.random.Generator) -> SeasonCounts:
    """Counts of one study under a plan: evenly spaced days, a random first one at each site."""
    length = int(habits.last_day - habits.first_day) + 1
    step = length / plan.days
    sampled = np.zeros((plan.sites, plan.seasons, length), bool)
    for site, season in np.ndindex(plan.sites, plan.seasons):
        start = rng.uniform(0, step)
        at = np.floor(start + step * np.arange(plan.days)).astype(int)
        sampled[site, season, np.minimum(at, length - 1)] = True
    counts, _ = simulate_counts(
        rng,
        sampled,
        groups=len(habits.groups),
        role=habits.role,
        first_day=habits.first_day,
        last_day=habits.last_day,
        fixed=habits.scales,
        group_coefficients=habits.groups,
    )
    return counts


def date_widths(plan: Plan, habits: Habits, studies: int, seed: int) -> Array:
    """Mean width of the peak day's 90 % interval in each simulated study [days]; (study,).

    Missing where a study's fit is refused.
    """
    role = "local" if habits.role == "local" else "passage"
    widths = np.full(studies, np.nan)
    for study in range(studies):
        rng = np.random.default_rng([seed, study])
        counts = simulate_plan(plan, habits, rng)
        try:
            model = SeasonModel(draws=DRAWS, points=POINTS, seed=study, method="laplace").fit(
                counts
            )
        except Refused:
            continue
        peak = model.draws_["peak_day"].sel(role=role)
        low, high = peak.quantile([LOW_QUANTILE, HIGH_QUANTILE], dim="draw")
        widths[study] = float((high - low).mean())
    return widths


def feeder_widths(plan: Plan, birds_a_day: float, bird_sd: float, studies: int, seed: int) -> Array:
    """Width of the feeder effect's 90 % interval in each simulated study; (study,).

    Parameters
    ----------
    birds_a_day : float
        Birds weighed a day of work.
    bird_sd : float
        Standard deviation of the outcome among birds of a kind, in its own unit.

    Returns
    -------
    array, shape (study,)
        In the outcome's unit; missing where the effect is refused.
    """
    widths = np.full(studies, np.nan)
    for study in range(studies):
        simulated = simulate_support(
            np.random.default_rng([seed, study]),
            sites=plan.sites,
            seasons=plan.seasons,
            birds_a_season=birds_a_day * plan.days,
        )
        told = compare_with_truth(simulated, "mean", study)
        if told.empty:
            continue
        feeders = told[told["quantity"].isin(["feeders local", "feeders passage"])]
        if len(feeders):
            widths[study] = bird_sd * float((feeders["high"] - feeders["low"]).mean())
    return widths


def mean_width(birds: float, bird_sd: float, season_sd: float) -> float:
    """Width of the 90 % interval of a season's mean of so many birds."""
    return 2 * Z_INTERVAL * float(np.sqrt(bird_sd**2 / max(birds, 1.0) + season_sd**2))


def change_seen(width: float, comparing_two: bool) -> float:
    """Smallest change that a 90 % interval of this width sees with a power of 80 %."""
    spread = width / (2 * Z_INTERVAL) * (np.sqrt(2.0) if comparing_two else 1.0)
    return float((Z_INTERVAL + Z_POWER) * spread)
