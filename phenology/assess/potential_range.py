"""How far the birds could fly on what they carry: from draws of fuel to potential range."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.models.potential_range import FlightConstants, potential_range_km
from phenology.models.refusal import Refused
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE
from phenology.reference import energy_values, kind_of_bird

if TYPE_CHECKING:
    from phenology.estimates import Estimates

Array = npt.NDArray[np.float64]
COLUMNS = ("potential_range_km", "potential_range_km_low", "potential_range_km_high")
NOTE = "still air, non-stop, reserve kept; most hummingbirds fly by day and feed on the way"


def assess_potential_range(
    birds: xr.Dataset, species: pd.Series, groups: pd.Series, answers: Estimates, seed: int
) -> tuple[pd.DataFrame, xr.DataArray]:
    """Report the potential range of each group and give each bird its own.

    Air speed and reserve are drawn from their published ranges, so that an interval carries
    them as well as the bird's own fuel.

    Parameters
    ----------
    birds : Dataset
        `lean_mass_g` and `fuel_load` on (draw, bird), from the lean mass model.
    species, groups : Series
        Of each capture, indexed as `birds` names them.
    answers : Estimates
        Gains potential_range_km.
    seed : int

    Returns
    -------
    table : DataFrame
        Indexed as `groups`: potential_range_km with `_low` and `_high`; missing where no range
        law was calibrated for the kind of bird.
    draws : DataArray
        The same on (draw, bird) [km].
    """
    table = pd.DataFrame(np.nan, index=groups.index, columns=list(COLUMNS))
    places = birds.indexes["bird"]
    draws = xr.full_like(birds["fuel_load"], np.nan)
    for name in sorted(species.unique()):
        rows = np.flatnonzero((species.loc[places] == name).to_numpy())
        members = places[rows]
        kind = kind_of_bird(name)
        try:
            of_species = birds.isel(bird=rows)
            distance = range_draws(
                kind, of_species["lean_mass_g"].to_numpy(), of_species["fuel_load"].to_numpy(), seed
            )
        except Refused as reason:
            for group in sorted(groups[species == name].unique()):
                answers.refuse("potential_range_km", str(reason), group=group)
            continue
        draws[:, rows] = distance
        quantiles = np.quantile(distance, [0.5, LOW_QUANTILE, HIGH_QUANTILE], axis=0)
        table.loc[members, list(COLUMNS)] = quantiles.T
        for group, positions in groups.loc[members].groupby(groups.loc[members]).indices.items():
            mean = distance[:, positions].mean(axis=1)
            answers.add(
                "potential_range_km",
                mean,
                birds=len(positions),
                basis="measured",
                note=NOTE,
                group=group,
            )
    return table, draws


def range_draws(kind: str | None, lean: Array, fuel: Array, seed: int) -> Array:
    """Potential range [km] from draws of lean mass [g] and fuel load, (draw, bird) each.

    Raises
    ------
    Refused
        If no law was calibrated for the kind of bird.
    """
    values = energy_values()
    draws = len(fuel)
    rng = np.random.default_rng(seed)

    def drawn(name: str) -> Array:
        value = values[name]
        assert value.low is not None
        assert value.high is not None
        return rng.triangular(value.low, value.value, value.high, (draws, 1))

    speed = drawn(f"{kind}_air_speed") if kind else np.ones((draws, 1))
    reserve = drawn("reserve")
    distances = [
        potential_range_km(
            kind,
            lean[draw],
            fuel[draw],
            FlightConstants(
                air_speed_kmh=float(speed[draw, 0]),
                tissue_energy_kj_per_g=values["tissue_energy"].value,
                flight_power_w=values["hummingbird_flight_power"].value,
                flight_power_mass_g=values["hummingbird_flight_power_mass"].value,
                reserve=float(reserve[draw, 0]),
            ),
        )
        for draw in range(draws)
    ]
    return np.array(distances)
