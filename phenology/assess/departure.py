"""Fuel at departure: what a bird carries when caught and what it gains before it leaves."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.assess.potential_range import range_draws
from phenology.birds import bird_of_capture
from phenology.models.lean_mass import BELIEVED_OVER_LEAN
from phenology.models.potential_range import share_ready
from phenology.models.refusal import Refused
from phenology.models.stopover import StayDraws, draw_remaining_days
from phenology.reference import kind_of_bird

if TYPE_CHECKING:
    import xarray as xr

    from phenology.estimates import Estimates

Array = npt.NDArray[np.float64]
AT_DEPARTURE = "at departure"
NOTE = (
    "fuel at first capture and the gain of birds weighed again over the stay that is left: birds "
    "that leave at once gain less"
)
FEWEST_BIRDS = 5


def assess_departure(
    captures: pd.DataFrame,
    roles: pd.Series[str],
    groups: pd.Series[str],
    seasons: pd.Series[str],
    hand: xr.Dataset | None,
    rates: Mapping[str, Array],
    stays: Mapping[str, StayDraws],
    stops: Mapping[str, float],
    answers: Estimates,
    seed: int,
) -> None:
    """Report fuel, range and readiness at departure of each group's passage birds.

    Fuel at departure = fuel load at capture + gain a day / lean mass × days of stay left, a draw
    of each at a time. A bird that lives at a site has no stay that ends with its fuel.

    Parameters
    ----------
    captures : DataFrame
        Clean captures.
    roles, groups, seasons : Series
        Role that study.toml states, group and season label of each capture.
    hand : Dataset or None
        lean_mass_g and fuel_load on (draw, bird).
    rates : mapping
        Draws of the gain of a group [g/day].
    stays : mapping
        Draws of the stay of a species' passage birds.
    stops : mapping
        Distance from each site to the next stop [km].
    answers : Estimates
        Gains fuel_load, potential_range_km and share_ready at departure, or why not.
    seed : int
    """
    if hand is None:
        return
    table = captures.assign(role=roles, group=groups, season=seasons)
    table = table.sort_values(["date", "time"], kind="stable")
    first = ~table.assign(bird=bird_of_capture(table)).duplicated(["site", "season", "bird"])
    passage = table[first & (table["role"] == "passage") & table.index.isin(hand.indexes["bird"])]
    rng = np.random.default_rng(seed)
    for (species, group), birds in passage.groupby(["species", "group"]):
        key: dict[str, Any] = {"definition": AT_DEPARTURE, "group": str(group), "role": "passage"}
        lacking = _lacking(str(species), str(group), len(birds), rates, stays)
        if lacking:
            answers.refuse("fuel_load", lacking, birds=len(birds), **key)
            continue
        of_birds = hand.sel(bird=birds.index).transpose("draw", "bird")
        lean, fuel = of_birds["lean_mass_g"].to_numpy(), of_birds["fuel_load"].to_numpy()
        left = draw_remaining_days(stays[str(species)], fuel.shape, rng)
        rate = rng.permutation(np.resize(rates[str(group)], len(fuel)))[:, None]
        leaving = np.clip(fuel + rate / lean * left, *(np.array(BELIEVED_OVER_LEAN) - 1))
        told: dict[str, Any] = {"birds": len(birds), "basis": "measured"}
        answers.add("fuel_load", leaving.mean(axis=1), note=NOTE, **told, **key)
        try:
            reach = range_draws(kind_of_bird(str(species)), lean, leaving, seed)
        except Refused as reason:
            answers.refuse("potential_range_km", str(reason), birds=len(birds), **key)
            continue
        answers.add("potential_range_km", reach.mean(axis=1), note=NOTE, **told, **key)
        for site, places in birds.reset_index().groupby("site").indices.items():
            if str(site) in stops and len(places) >= FEWEST_BIRDS:
                ready = share_ready(reach[:, places], stops[str(site)])
                note = f"potential range of {stops[str(site)]:.0f} km or more; {NOTE}"
                answers.add("share_ready", ready, birds=len(places), basis="measured", note=note,
                            site=site, **key)  # fmt: skip


def _lacking(
    species: str,
    group: str,
    birds: int,
    rates: Mapping[str, Array],
    stays: Mapping[str, StayDraws],
) -> str:
    """Why fuel at departure cannot be told, in words; empty where it can."""
    if birds < FEWEST_BIRDS:
        return f"{birds} birds of the group with a lean mass; {FEWEST_BIRDS} needed"
    missing = []
    if group not in rates:
        missing.append("how fast its birds gain")
    if species not in stays:
        missing.append("how long they stay")
    told = " and ".join(missing)
    return f"fuel at departure needs {told}, which these captures do not tell" if told else ""
