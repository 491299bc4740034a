"""How much of what could be foretold the season model foretells, on studies of known truth."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.forecast_rivals import MeanSeason
from phenology.models.forecast_scores import crps
from phenology.models.season import SeasonModel
from phenology.models.season_counts import SeasonCounts
from phenology.models.season_forecast import draw_counts
from phenology.models.season_predictors import PREDICTORS, SHIFTED
from phenology.models.season_simulated import simulate_counts

Array = npt.NDArray[Any]
BEFORE, MIDWAY = "before the season", "captures to mid-season"
SITES, SEASONS, STEP = 4, 12, 3
WINDOW = (180.0, 270.0)
SCALES_HELD = {"local_date_year": 2.0, "level_year": 0.3, "level_site_year": 0.3, "dispersion": 4.0}
SLOPES = {"rise": 4.0, "fall": 6.0, "local_level": 0.4}  # per standard deviation of the driver
HABITS = {  # of two groups
    "local_level": (1.8, 1.4),
    "rise": (-30.0, -18.0),
    "fall": (12.0, 24.0),
    "log_rise_scale": (1.4, 1.4),
    "log_fall_scale": (1.6, 1.6),
    "passage_level": (-9.0, -9.0),
    "log_width": (2.3, 2.3),
}
DRAWS, POINTS = 200, 24


def forecast_study(seed: int, follows: bool) -> pd.DataFrame:
    """Forecast the last season of a simulated study of local birds, and score it.

    Parameters
    ----------
    seed : int
    follows : bool
        Whether dates and numbers follow a driver known on the day of issue, or nothing.

    Returns
    -------
    DataFrame
        One row a lead: lead, model, baseline, attainable [mean CRPS, birds], skill (of the model
        against the mean season), attainable_skill: that of one who knows the true means.

    Notes
    -----
    The mean over studies of skill over attainable skill is what matters: a single study's is
    noisy, and where nothing can be gained it says nothing.
    """
    rng = np.random.default_rng(seed)
    sampled = np.zeros((SITES, SEASONS, int(WINDOW[1] - WINDOW[0]) + 1), bool)
    sampled[..., ::STEP] = True
    driver = np.broadcast_to(rng.standard_normal(SEASONS), (SITES, SEASONS)) + 0.3 * (
        rng.standard_normal((SITES, SEASONS))
    )
    slopes = np.zeros((1, len(SHIFTED)))
    if follows:
        for name, slope in SLOPES.items():
            slopes[0, SHIFTED.index(PREDICTORS.index(name))] = slope
    groups = np.zeros((2, len(PREDICTORS)))
    for name, values in HABITS.items():
        groups[:, PREDICTORS.index(name)] = np.array(values)
    counts, truth = simulate_counts(
        rng,
        sampled,
        groups=2,
        role="local",
        first_day=WINDOW[0],
        last_day=WINDOW[1],
        fixed=SCALES_HELD,
        group_coefficients=groups,
        drivers={"driver": driver},
        driver_slopes=slopes,
    )
    target = counts.season == SEASONS - 1
    late = target & (counts.day > WINDOW[0] + (WINDOW[1] - WINDOW[0]) / 2)
    rows = [
        _scored(counts, ~target, target, truth["expected"].to_numpy(), seed) | {"lead": BEFORE},
        _scored(counts, ~late, late, truth["expected"].to_numpy(), seed) | {"lead": MIDWAY},
    ]
    return pd.DataFrame(rows)


def _scored(
    counts: SeasonCounts, known: Array, asked: Array, expected: Array, seed: int
) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    told, later = counts.taken(known), counts.taken(asked)
    model = SeasonModel(draws=DRAWS, points=POINTS, seed=seed, method="laplace").fit(told)
    baseline = MeanSeason().fit(told.table()).draw(later.table(), DRAWS, rng)
    k = SCALES_HELD["dispersion"]
    true = rng.poisson(rng.gamma(k, expected[asked] / k, size=(DRAWS, int(asked.sum()))))
    scores = {
        name: float(crps(drawn, later.count).mean())
        for name, drawn in {
            "model": draw_counts(model.posterior_, later, seed),
            "baseline": baseline,
            "attainable": true,
        }.items()
    }
    return scores | {
        "skill": 1 - scores["model"] / scores["baseline"],
        "attainable_skill": 1 - scores["attainable"] / scores["baseline"],
    }
