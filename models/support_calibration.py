"""How well the truth of simulated studies of support comes back, beside a plain difference."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import pandas as pd

from phenology.models.refusal import Refused
from phenology.models.support import SupportModel
from phenology.models.support_simulated import (
    DRIVERS,
    HALF_SD,
    SimulatedSupport,
    draw_effects,
    simulate_support,
)
from phenology.quantities import ROLES, WITHIN

_SCENARIOS: dict[str, dict[str, Any]] = {
    "feeders by chance": {},
    "feeders by need": {"feeders": "by_need"},
    "feeders by quality": {"feeders": "by_quality"},
    "bloom and roles uncertain": {"bloom_reliability": 0.7, "roles_known": 0.7},
}
_CONFOUNDED = ("feeders by need", "feeders by quality")


def calibration_study(seed: int) -> pd.DataFrame:
    """Simulate and fit one study of each scenario, of 8 sites and 12 seasons.

    Where feeders hang for a reason, the plain difference stands beside the within-site effect
    ("simple: …"); flowers are good for birds there, or need would not confound. In "half a standard
    deviation" the effects of bloom, feeders and the monsoon's onset are all of that size.

    Parameters
    ----------
    seed : int

    Returns
    -------
    DataFrame
        scenario, quantity ("bloom local", …), truth, estimate, low, high, oracle_width, large.
    """
    tables = []
    for number, (scenario, options) in enumerate(_SCENARIOS.items()):
        rng = np.random.default_rng([seed, number])
        confounded = scenario in _CONFOUNDED
        effects = draw_effects(rng)
        if confounded:
            effects = {role: drawn | {"bloom": -HALF_SD} for role, drawn in effects.items()}
        simulated = simulate_support(rng, effects=effects, **options)
        tables.append(compare_with_truth(simulated, "mean", seed).assign(scenario=scenario))
        if confounded:
            tables.append(plain_differences(simulated).assign(scenario=f"simple: {scenario}"))
    rng = np.random.default_rng([seed, len(_SCENARIOS)])
    simulated = simulate_support(rng, kind="share", effects=draw_effects(rng, DRIVERS[:3]))
    tables.append(compare_with_truth(simulated, "share", seed).assign(scenario="shares"))
    rng = np.random.default_rng([seed, len(_SCENARIOS) + 1])
    effects = draw_effects(rng, DRIVERS[:3], (-HALF_SD, HALF_SD))
    simulated = simulate_support(rng, effects=effects)
    told = compare_with_truth(simulated, "mean", seed)
    tables.append(told.assign(scenario="half a standard deviation"))
    return pd.concat(tables, ignore_index=True)


def plain_differences(simulated: SimulatedSupport) -> pd.DataFrame:
    """Mean outcome with feeders less that without, by role, as if they hung by chance."""
    truth = simulated.truth.set_index(["role", "driver"])["effect"]
    up = simulated.birds["feeders"].to_numpy() > 0.5
    records = []
    for role in ROLES:
        member = simulated.local == (role == "local")
        if not (member & up).any() or not (member & ~up).any():
            continue
        difference = simulated.outcome[member & up].mean() - simulated.outcome[member & ~up].mean()
        record = {"quantity": f"feeders {role}", "truth": truth[role, "feeders"]}
        records.append(record | {"estimate": difference, "low": np.nan, "high": np.nan,
                                 "oracle_width": np.nan, "large": False})  # fmt: skip
    return pd.DataFrame(records)


def compare_with_truth(
    simulated: SimulatedSupport, kind: Literal["mean", "share"], seed: int
) -> pd.DataFrame:
    """Fit a simulated study and set its within-site effects beside their truth.

    Effects that the model refuses are left out.
    """
    try:
        model = SupportModel(kind, seed=seed).fit(
            simulated.birds, simulated.outcome, simulated.p_local
        )
    except Refused:
        return pd.DataFrame()
    told = model.summary_[
        (model.summary_["definition"] == WITHIN) & (model.summary_["refused"] == "")
    ]
    both = told.merge(simulated.truth, on=["role", "driver"])
    return pd.DataFrame(
        {
            "quantity": both["driver"] + " " + both["role"],
            "truth": both["effect"],
            "estimate": both["estimate"],
            "low": both["low"],
            "high": both["high"],
            "oracle_width": both["oracle_width"],
            "large": both["large"],
        }
    )
