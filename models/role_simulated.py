"""Local and passage birds from the role model's own family: traits independent within a class."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd


class RoleBirds(NamedTuple):
    """What is seen: traits, label ("local", "passage", "unknown") and group of each bird."""

    traits: pd.DataFrame
    known: npt.NDArray[np.str_]
    group: npt.NDArray[np.str_]


def simulate_roles(
    rng: np.random.Generator,
    *,
    birds: int = 1000,
    share_local: float | None = None,
    known_local: float = 0.2,
    known_passage: float = 0.0,
    overlap: float = 1.0,
    equal_fuel: bool = False,
) -> tuple[RoleBirds, npt.NDArray[np.bool_]]:
    """Simulate one species that breeds and passes at a site, adults and young.

    Parameters
    ----------
    rng : Generator
    birds : int
    share_local : float, optional
        Drawn between .3 and .7 by default.
    known_local, known_passage : float
        Chance that a bird of the class is known to be of it.
    overlap : float
        1: passage peaks while locals are still there; 0: well after.
    equal_fuel : bool
        Whether locals and passage birds carry the same fuel.

    Returns
    -------
    birds : RoleBirds
    local : ndarray of bool, (birds,)

    Examples
    --------
    >>> birds, local = simulate_roles(np.random.default_rng(1), birds=50)
    >>> birds.traits.columns.tolist()
    ['day', 'fuel_load', 'breeding', 'moult', 'span_days']
    """
    share = rng.uniform(0.3, 0.7) if share_local is None else share_local
    local = rng.random(birds) < share
    young = rng.random(birds) < 0.5
    pulse = 225 + 12 * young + 25 * (1 - overlap)
    day = np.where(local, rng.uniform(170, 235, birds), rng.normal(pulse, 9, birds))
    fuel = np.where(local & (not equal_fuel), rng.normal(0.06, 0.06, birds),
                    rng.normal(0.22, 0.12, birds))  # fmt: skip
    breeding = (rng.random(birds) < np.where(local & ~young, 0.45, 0.03)).astype(float)
    moult = np.where(rng.random(birds) < np.where(local, 0.35, 0.1), "some", "none")
    seen_again = rng.random(birds) < np.where(local, 0.35, 0.15)
    span = np.where(seen_again, rng.exponential(np.where(local, 25, 4)), np.nan)
    traits = pd.DataFrame(
        {
            "day": np.round(day),
            "fuel_load": fuel,
            "breeding": np.where(rng.random(birds) < 0.3, np.nan, breeding),
            "moult": pd.Series(moult).mask(rng.random(birds) < 0.1),
            "span_days": span,
        }
    )
    labelled = rng.random(birds) < np.where(local, known_local, known_passage)
    known = np.where(labelled, np.where(local, "local", "passage"), "unknown")
    group = np.where(young, "Species a young", "Species a adult")
    return RoleBirds(traits, known, group), local
