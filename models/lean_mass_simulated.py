"""Birds in the hand from the lean-mass model's own family, with what is true of each."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd


class LeanMassTruth(NamedTuple):
    """What generated the birds.

    Attributes
    ----------
    birds : DataFrame
        lean_mass_g, fuel_load, fat_class (as it was, before misreading), wing_mm (true).
    groups : dict
        Lean mass [g] at the species' mean wing.
    class_fuel_load : ndarray, (C,)
    exponent, hour_effect, scatter_sd, repeatability : float
    """

    birds: pd.DataFrame
    groups: dict[str, float]
    class_fuel_load: np.ndarray[tuple[int], np.dtype[np.float64]]
    exponent: float
    hour_effect: float
    scatter_sd: float
    repeatability: float


def simulate_lean_mass(
    rng: np.random.Generator,
    *,
    birds: int = 400,
    species: int = 1,
    classes: int = 6,
    scatter_sd: float = 0.06,
    repeatability: float | None = None,
    caught_again: float = 0.3,
    wing_error: float = 0.012,
    misread: float = 0.1,
    rounding_g: float = 0.01,
    fuel_scale: float | None = None,
) -> tuple[pd.DataFrame, LeanMassTruth]:
    """Simulate captures of birds of up to four age and sex groups a species.

    Parameters
    ----------
    rng : Generator
    birds : int
        Captures.
    species, classes : int
        Number of species and of fat classes.
    scatter_sd : float
        Scatter of log mass at one wing and the lowest class.
    repeatability : float, optional
        Share of that variance that is lean mass and stays with the bird, the rest being fuel;
        drawn between .2 and .8 by default.
    caught_again : float
        Share of captures that are of birds caught before.
    wing_error, misread : float
        Wing error as a share of wing; chance of a fat class read one off.
    rounding_g : float
        Step to which masses are written down [g].
    fuel_scale : float, optional
        Log of 1 + fuel of the highest class; drawn about .35 by default.

    Returns
    -------
    birds : DataFrame
        As `lean_mass.LeanMassModel.fit` takes them.
    truth : LeanMassTruth

    Examples
    --------
    >>> birds, truth = simulate_lean_mass(np.random.default_rng(3), birds=20)
    >>> len(birds), len(truth.birds)
    (20, 20)
    """
    names = [f"Species {letter}" for letter in "abcdefghijklmnop"[:species]]
    exponent = rng.normal(1.2, 0.3)
    hour_effect = rng.normal(0.006, 0.003)
    top = fuel_scale if fuel_scale is not None else 0.35 * np.exp(rng.normal(0, 0.3))
    rises = rng.dirichlet(np.full(classes - 1, 4.0)) * top
    class_log_fuel = np.concatenate([[0.0], np.cumsum(rises)])
    share = rng.uniform(0.2, 0.8) if repeatability is None else repeatability
    marked = max(1, round(birds * (1 - caught_again)))
    bird = np.concatenate([np.arange(marked), rng.integers(marked, size=birds - marked)])
    which = rng.integers(species, size=marked)[bird]
    age = rng.choice(["adult", "young"], marked)[bird]
    sex = rng.choice(["female", "male"], marked)[bird]
    label = np.array([f"{names[s]} {a} {x}" for s, a, x in zip(which, age, sex, strict=True)])
    every = sorted({f"{name} {a} {x}" for name in names
                    for a in ("adult", "young") for x in ("female", "male")})  # fmt: skip
    species_log_mass = dict(zip(names, np.log(rng.uniform(2.6, 4.0, species)), strict=True))
    species_wing = dict(zip(names, np.log(rng.uniform(38, 50, species)), strict=True))
    level = {group: species_log_mass[" ".join(group.split()[:2])] + rng.normal(0, 0.05)
             for group in every}  # fmt: skip
    group_wing = {group: rng.normal(0, 0.02) for group in every}
    away = np.array([group_wing[group] for group in label]) + rng.normal(0, 0.025, marked)[bird]
    log_wing = np.array([species_wing[names[s]] for s in which]) + away
    # tails: one weight a bird over structure and fuel together, as the model has it
    weight = rng.gamma(5.0, 1 / 5.0, marked)[bird]
    log_lean = (
        np.array([level[group] for group in label])
        + exponent * away
        + scatter_sd * np.sqrt(share / weight) * rng.standard_normal(marked)[bird]
    )
    fat_class = rng.choice(classes, birds, p=rng.dirichlet(np.full(classes, 3.0)))
    hours = rng.uniform(0, 6, birds)
    crop = rng.choice(["empty", "part", "full"], birds, p=[0.6, 0.25, 0.15])
    fed = rng.random(birds) < 0.2
    fuel_sd = np.hypot(0.4 * class_log_fuel[fat_class], scatter_sd * np.sqrt(1 - share))
    log_fuel = (
        class_log_fuel[fat_class]
        + fuel_sd * rng.standard_normal(birds) / np.sqrt(weight)
        + hour_effect * hours
    )
    meal = 0.03 * (crop == "part") + 0.06 * (crop == "full") + 0.04 * fed
    mass = np.exp(log_lean + log_fuel + meal)
    step = rng.choice([-1, 1], birds) * (rng.random(birds) < misread)
    written = np.where(
        (fat_class + step >= 0) & (fat_class + step < classes), fat_class + step, fat_class
    )
    sheet = pd.DataFrame(
        {
            "species": [names[s] for s in which],
            "age": age,
            "sex": sex,
            "mass_g": np.round(mass / rounding_g) * rounding_g,
            "wing_mm": np.exp(log_wing + wing_error * rng.standard_normal(birds)),
            "fat_class": np.where(rng.random(birds) < 0.03, -1, written),
            "hours_since_sunrise": np.where(rng.random(birds) < 0.05, np.nan, hours),
            "crop": crop,
            "fed_before_weighing": fed,
            "gravid": False,
            "band": [f"TEST-{number:05d}" for number in bird],
        }
    )
    sheet.loc[rng.random(birds) < 0.1, "wing_mm"] = np.nan
    true_birds = pd.DataFrame(
        {
            "lean_mass_g": np.exp(log_lean),
            "fuel_load": np.expm1(log_fuel),
            "fat_class": fat_class,
            "wing_mm": np.exp(log_wing),
        }
    )
    return sheet, LeanMassTruth(
        true_birds,
        {group: float(np.exp(value)) for group, value in level.items()},
        np.expm1(class_log_fuel),
        float(exponent),
        float(hour_effect),
        scatter_sd,
        share,
    )
