"""Fuel at departure: what a bird carries when caught and what it gains before it leaves."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.assess.potential_range import range_draws
from phenology.birds import one_of_season
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
MIXED_NOTE = "; who passes is drawn without fuel, and the gain is that of all birds of the group"
LOCAL_NOTE = (
    "local birds leave when breeding is over: their fuel then needs the day on which each leaves, "
    "and captures tell when most have gone, not when a bird goes; what they carry once breeding is "
    "over is told among the outcomes of support"
)
FEWEST_BIRDS = 5


def assess_departure(
    captures: pd.DataFrame,
    roles: pd.Series[str],
    drawn: npt.NDArray[Any] | None,
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
    of each at a time; birds of a mixed species count in the draws in which they pass. It is
    refused for local birds: none of them has a stay that ends with its fuel.

    Parameters
    ----------
    captures : DataFrame
        Clean captures.
    roles, groups, seasons : Series
        Role that study.toml states, group and season label of each capture.
    drawn : ndarray or None, (draw, capture)
        Roles drawn without fuel: 1 local, 0 passage, missing where not known.
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
    weighed = one_of_season(table, "first") & table.index.isin(hand.indexes["bird"])
    living = table[weighed & (table["role"] != "passage")]
    for species, birds in living.groupby("species"):
        answers.refuse("fuel_load", LOCAL_NOTE, birds=len(birds), definition=AT_DEPARTURE,
                       group=str(species), role="local")  # fmt: skip
    passage = table[weighed & (table["role"] != "local")]
    rng = np.random.default_rng(seed)
    for (species, group), of_group in passage.groupby(["species", "group"]):
        key: dict[str, Any] = {"definition": AT_DEPARTURE, "group": str(group), "role": "passage"}
        passes = _passes(of_group["role"], captures.index.get_indexer(of_group.index), drawn)
        told_of = ~np.isnan(passes[0])
        birds, passes = of_group[told_of], passes[:, told_of]
        number = passes.sum(axis=1)
        lacking = _lacking(str(species), str(group), number, rates, stays)
        if lacking:
            answers.refuse("fuel_load", lacking, birds=round(number.mean()), **key)
            continue
        of_birds = hand.sel(bird=birds.index).transpose("draw", "bird")
        lean, fuel = of_birds["lean_mass_g"].to_numpy(), of_birds["fuel_load"].to_numpy()
        left = draw_remaining_days(stays[str(species)], fuel.shape, rng)
        rate = rng.permutation(np.resize(rates[str(group)], len(fuel)))[:, None]
        leaving = np.clip(fuel + rate / lean * left, *(np.array(BELIEVED_OVER_LEAN) - 1))
        passes = np.resize(passes, leaving.shape)
        how = NOTE + MIXED_NOTE * bool((birds["role"] == "mixed").any())
        told: dict[str, Any] = {"birds": round(number.mean()), "basis": "measured"}
        mean = np.average(leaving, axis=1, weights=passes)
        answers.add("fuel_load", mean, note=how, **told, **key)
        try:
            reach = range_draws(kind_of_bird(str(species)), lean, leaving, seed)
        except Refused as reason:
            answers.refuse("potential_range_km", str(reason), **key, birds=told["birds"])
            continue
        mean = np.average(reach, axis=1, weights=passes)
        answers.add("potential_range_km", mean, note=how, **told, **key)
        for site, places in birds.reset_index().groupby("site").indices.items():
            here = passes[:, places].sum(axis=1)
            if str(site) in stops and _enough(here):
                ready = share_ready(reach[:, places], stops[str(site)], passes[:, places])
                note = f"potential range of {stops[str(site)]:.0f} km or more; {how}"
                answers.add("share_ready", ready, birds=round(here.mean()), basis="measured",
                            note=note, site=site, **key)  # fmt: skip


def _passes(
    stated: pd.Series[str], place: npt.NDArray[np.int64], drawn: npt.NDArray[Any] | None
) -> Array:
    """Whether each bird passes, (draw, bird); missing for mixed species whose roles are untold."""
    if drawn is not None:
        return np.asarray(1 - drawn[:, place], dtype=float)
    return np.where(stated == "passage", 1.0, np.nan)[None]


def _enough(number: Array) -> bool:
    """Whether as many birds pass as a mean needs, and at least one in every draw."""
    return bool(number.mean() >= FEWEST_BIRDS and number.min() > 0)


def _lacking(
    species: str,
    group: str,
    number: Array,
    rates: Mapping[str, Array],
    stays: Mapping[str, StayDraws],
) -> str:
    """Why fuel at departure cannot be told, in words; empty where it can."""
    if not _enough(number):
        return (
            f"{number.mean():.0f} birds of the group have a lean mass and are told to pass; "
            f"{FEWEST_BIRDS} are needed"
        )
    missing = []
    if group not in rates:
        missing.append("how fast its birds gain")
    if species not in stays:
        missing.append("how long they stay")
    told = " and ".join(missing)
    return f"fuel at departure needs {told}, which these captures do not tell" if told else ""
