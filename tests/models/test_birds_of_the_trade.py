"""Two birds as a trained bander knows them. Common practice, no source; for tests only."""

import numpy as np
import pandas as pd
import pytest

from phenology.models.lean_mass import LeanMassModel
from phenology.models.role import RoleModel


def _population(seed: int, species: str, lean_g: float, wing_mm: float) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    fat = rng.choice(6, 60, p=[0.25, 0.25, 0.2, 0.15, 0.1, 0.05])
    wing = rng.normal(wing_mm, 0.02 * wing_mm, 60)
    lean = lean_g * (wing / wing_mm) * np.exp(rng.normal(0, 0.04, 60))
    mass = lean * (1 + np.array([0, 0.04, 0.09, 0.16, 0.25, 0.35])[fat])
    return pd.DataFrame(
        {"species": species, "age": "adult", "sex": "male", "mass_g": mass.round(2),
         "wing_mm": wing.round(1), "fat_class": fat}
    )  # fmt: skip


@pytest.fixture(scope="module")
def fitted() -> pd.DataFrame:
    calliope = _population(1, "Selasphorus calliope", 2.55, 38.5)
    broadtail = _population(2, "Selasphorus platycercus", 3.45, 50.0)
    heavy = calliope.head(1).assign(mass_g=3.0, wing_mm=38.7, fat_class=4)
    slight = broadtail.head(1).assign(mass_g=3.5, wing_mm=50.8, fat_class=1)
    birds = pd.concat([calliope, broadtail, heavy, slight], ignore_index=True)
    return LeanMassModel(draws=300).fit(birds).birds_


def test_a_heavy_calliope_is_well_above_lean(fitted: pd.DataFrame) -> None:
    """A male of 3.0 g with heavy fat, where 2.5 to 2.6 g is typical: fuel load .10 to .40."""
    heavy = fitted.iloc[-2]
    assert 0.10 < heavy["fuel_load"] < 0.40
    assert heavy["fuel_load_low"] > 0.0
    assert 2.4 < heavy["lean_mass_g"] < 2.8


def test_a_slightly_fat_broadtail_carries_little(fitted: pd.DataFrame) -> None:
    """A male of 3.5 g with slight fat."""
    assert -0.02 < fitted.iloc[-1]["fuel_load"] < 0.10


def test_a_slightly_fat_moulting_broadtail_is_more_likely_local_where_it_breeds() -> None:
    """Slight fat and slight body moult in late July, where the species breeds."""
    rng = np.random.default_rng(3)
    local = np.arange(300) < 150
    traits = pd.DataFrame(
        {
            "day": np.where(local, rng.uniform(160, 225, 300), rng.normal(230, 12, 300)).round(),
            "fuel_load": np.where(local, rng.normal(0.05, 0.04, 300), rng.normal(0.2, 0.1, 300)),
            "body_moult": np.where(rng.random(300) < np.where(local, 0.4, 0.1), "slight", "none"),
        }
    )
    known = np.where(local & (rng.random(300) < 0.2), "local", "unknown")
    model = RoleModel(signs={"fuel_load": -1}).fit(traits, known, prior_local=np.full(300, 0.5))
    bird = pd.DataFrame({"day": [207.0], "fuel_load": [0.03], "body_moult": ["slight"]})
    assert model.predict_proba(bird)[0, 0] > 0.5
