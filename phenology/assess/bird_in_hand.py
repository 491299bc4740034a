"""What follows from lean mass and fuel: role, stopover, survival, gain, readiness, departure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from phenology.assess.departure import assess_departure
from phenology.assess.deposition import assess_deposition
from phenology.assess.readiness import assess_readiness, next_stop_km
from phenology.assess.roles import Roles, assess_roles, days_worked, stated_roles
from phenology.assess.stopover import assess_stopover
from phenology.assess.support_rows import place_in_season
from phenology.assess.survival import assess_survival

if TYPE_CHECKING:
    import xarray as xr

    from phenology.assess.condition import Condition
    from phenology.estimates import Estimates
    from phenology.seasons import Window
    from phenology.study.study import Study


def assess_bird_in_hand(
    study: Study,
    site_days: xr.Dataset,
    answers: Estimates,
    *,
    groups: pd.Series[str],
    seasons: pd.Series[str],
    windows: tuple[Window, ...],
    condition: Condition,
    seed: int,
) -> Roles:
    """Report all that captures tell beyond fuel; what is handed on is the role.

    Parameters are those of the run; `answers` gains share_local, stopover_days, survival,
    return_rate, fuel_deposition_g_per_day and share_ready, and fuel and range at departure.
    """
    captures, stated = study.captures, stated_roles(study)
    hand = condition.draws.get("birds")
    worked = days_worked(site_days)
    roles = assess_roles(study, groups, seasons, hand, answers, seed, worked)
    stays = assess_stopover(captures, stated, site_days, seasons, windows, answers, seed)
    placed = place_in_season(captures["date"], windows)
    years = pd.Series(placed["season"].to_numpy(), index=captures.index)
    assess_survival(captures, stated, site_days, years, answers)
    lean_mass = condition.draws.get("lean_mass")
    rates = assess_deposition(captures, groups, lean_mass, answers, seed)
    stops = next_stop_km(study.sites, study.options.next_stop_km)
    assess_readiness(captures, stated, groups, seasons, hand, stops, answers)
    assess_departure(
        captures, stated, roles.draws.get("share_ready"), groups, seasons, hand, rates, stays,
        stops, answers, seed,
    )  # fmt: skip
    return roles
