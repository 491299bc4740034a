"""Lean mass and fuel: what a bander gets back, and recovery of known truth."""

import numpy as np
import pandas as pd
import pytest

from phenology.models import lean_mass
from phenology.models.lean_mass import LeanMassModel
from phenology.models.lean_mass_rows import complete
from phenology.models.lean_mass_simulated import LeanMassTruth, simulate_lean_mass
from phenology.models.refusal import Refused


def _inside(table: pd.DataFrame, name: str, truth: pd.Series) -> float:
    known = table[name].notna()
    low, high = table.loc[known, f"{name}_low"], table.loc[known, f"{name}_high"]
    return float(((low <= truth[known]) & (truth[known] <= high)).mean())


@pytest.fixture(scope="module")
def fitted() -> tuple[pd.DataFrame, LeanMassTruth, LeanMassModel]:
    birds, truth = simulate_lean_mass(np.random.default_rng(11), birds=400)
    return birds, truth, LeanMassModel(wing_error=0.012).fit(birds)


def test_intervals_of_single_birds_cover_the_truth(fitted) -> None:
    _, truth, model = fitted
    for name in ("lean_mass_g", "fuel_load"):
        assert 0.83 <= _inside(model.birds_, name, truth.birds[name]) <= 0.96


def test_fuel_of_classes_rises_and_is_zero_by_definition_at_the_lowest(fitted) -> None:
    _, truth, model = fitted
    classes = model.fuel_classes_
    assert classes["estimate"].iloc[0] == 0
    assert classes["estimate"].is_monotonic_increasing
    inside = (classes["low"] <= truth.class_fuel_load) & (truth.class_fuel_load <= classes["high"])
    assert inside.sum() >= 5


def test_lean_mass_and_fuel_are_the_mass_and_a_meal_is_neither(fitted) -> None:
    birds, _, model = fitted
    draws = model.bird_draws_
    told = (draws["lean_mass_g"] * (1 + draws["fuel_load"])).mean("draw").to_series()
    weighed = birds.loc[told.index]
    ratio = told / weighed["mass_g"]
    empty = (weighed["crop"] == "empty") & ~weighed["fed_before_weighing"]
    np.testing.assert_allclose(ratio[empty], 1.0, rtol=2e-3)
    full = (weighed["crop"] == "full") & ~weighed["fed_before_weighing"]
    assert abs(1 - ratio[full].mean() - 0.06) < 0.02  # 6 % of mass is the meal simulated


def test_some_birds_of_large_groups_teach_and_all_are_told(fitted, monkeypatch) -> None:
    birds, truth, every = fitted
    monkeypatch.setattr(lean_mass, "MOST_OF_A_GROUP", 40)
    some = LeanMassModel(wing_error=0.012).fit(birds)
    told = some.birds_["lean_mass_g"]
    assert told.notna().equals(every.birds_["lean_mass_g"].notna())
    assert told.corr(every.birds_["lean_mass_g"]) > 0.98
    assert 0.80 <= _inside(some.birds_, "lean_mass_g", truth.birds["lean_mass_g"]) <= 0.97
    wide, narrow = (
        (fit.groups_["lean_mass_g_high"] - fit.groups_["lean_mass_g_low"]).mean()
        for fit in (some, every)
    )
    assert wide > 1.1 * narrow  # what was not used is not claimed


def test_a_wing_error_ignored_flattens_the_exponent() -> None:
    birds, truth = simulate_lean_mass(np.random.default_rng(4), birds=600, wing_error=0.02)
    known = LeanMassModel(wing_error=0.02, draws=50).fit(birds).draws_["exponent"].mean()
    ignored = LeanMassModel(wing_error=1e-4, draws=50).fit(birds).draws_["exponent"].mean()
    assert ignored < 0.85 * known
    assert abs(known - truth.exponent) < abs(ignored - truth.exponent)


def test_five_birds_of_a_rare_group_get_wide_answers_and_one_bird_none() -> None:
    birds, _ = simulate_lean_mass(np.random.default_rng(5), birds=200)
    rare = birds.head(5).assign(species="Rare species", mass_g=birds["mass_g"].head(5) * 1.4)
    single = birds.head(1).assign(species="Single species")
    together = pd.concat([birds, rare, single], ignore_index=True)
    model = LeanMassModel(draws=200).fit(together)
    groups = model.groups_
    width = np.log(groups["lean_mass_g_high"] / groups["lean_mass_g_low"])
    is_rare = groups["species"] == "Rare species"
    assert width[is_rare].min() > 1.5 * width[~is_rare].max()
    shares = groups[["share_own", "share_borrowed", "share_prior"]]
    np.testing.assert_allclose(shares.sum(axis=1), 1)
    assert (shares >= 0).all(axis=None)
    assert groups.loc[is_rare, "share_own"].max() < groups.loc[~is_rare, "share_own"].min()
    assert groups.loc[is_rare, "share_prior"].min() > groups.loc[~is_rare, "share_prior"].max()
    assert model.birds_["lean_mass_g"].isna().iloc[205]
    assert model.birds_["left_out"].iloc[205] == "fewer than 5 birds of its species"


def test_one_bird_is_refused_in_words() -> None:
    bird = pd.DataFrame({"species": ["Selasphorus rufus"], "mass_g": [3.4], "fat_class": [2]})
    with pytest.raises(Refused, match="needs 5 birds of a species with mass; there is 1"):
        LeanMassModel().fit(bird)


def test_without_any_fat_class_mass_is_not_parted() -> None:
    birds, _ = simulate_lean_mass(np.random.default_rng(6), birds=30)
    with pytest.raises(Refused, match="no fat class"):
        LeanMassModel().fit(birds.drop(columns="fat_class"))


def test_gravid_birds_are_left_out_and_nothing_is_dropped() -> None:
    birds, _ = simulate_lean_mass(np.random.default_rng(7), birds=60)
    birds.loc[3, "gravid"] = True
    birds.loc[4, "mass_g"] = np.nan
    before = birds.copy()
    table = LeanMassModel(draws=50).fit(birds).birds_
    pd.testing.assert_frame_equal(birds, before)
    assert list(table.index) == list(birds.index)
    assert table["left_out"].iloc[3] == "gravid: mass carries an egg"
    assert table["left_out"].iloc[4] == "no mass"
    assert table["fuel_load"].isna().sum() == 2


def test_a_mass_that_no_bird_can_have_is_named_and_moves_no_mean() -> None:
    birds, _ = simulate_lean_mass(np.random.default_rng(7), birds=60)
    slipped = birds.copy()
    slipped.loc[3, "mass_g"] *= 10
    clean, dirty = (LeanMassModel(draws=100).fit(sheet) for sheet in (birds, slipped))
    assert dirty.birds_["left_out"].iloc[3] == "mass not 0.5 to 2.75 times lean"
    assert np.isnan(dirty.birds_["fuel_load"].iloc[3])
    change = dirty.groups_["fuel_load"] - clean.groups_["fuel_load"]
    assert change.abs().max() < 0.05


def test_one_class_only_and_no_wings_still_answer() -> None:
    birds, _ = simulate_lean_mass(np.random.default_rng(8), birds=40)
    plain = birds[["species", "mass_g"]].assign(fat_class=0)
    table = LeanMassModel(by=()).fit(plain).birds_
    assert abs(table["fuel_load"].mean()) < 0.02
    assert (table["fuel_load_low"] < 0).all()


def test_derivatives_written_out_are_those_of_the_likelihood() -> None:
    """Against JAX's own differentiation of the value, nodes of a coarse rounding included."""
    import jax

    from phenology.models import lean_mass_likelihood as likelihood

    birds, _ = simulate_lean_mass(np.random.default_rng(1), birds=60, species=2, rounding_g=0.5)
    model = LeanMassModel(wing_error=0.012, rounding_g=0.5, draws=20).fit(birds)
    data = model._data(complete(birds, model.by))
    theta = model.fit_.theta + 0.1 * np.random.default_rng(2).standard_normal(model.fit_.theta.size)
    with jax.enable_x64(True):
        _, gradient, hessian, _ = likelihood.derivatives(theta, model.fit_.phi, *data)

        def value(at: jax.Array) -> jax.Array:
            return likelihood.derivatives(at, model.fit_.phi, *data)[0]

        np.testing.assert_allclose(gradient, jax.grad(value)(theta), rtol=1e-9, atol=1e-8)
        np.testing.assert_allclose(hessian, jax.hessian(value)(theta), rtol=1e-9, atol=1e-7)


def test_what_stays_with_a_bird_is_lean_mass_and_what_varies_is_fuel() -> None:
    for true in (0.15, 0.85):
        birds, truth = simulate_lean_mass(
            np.random.default_rng(3), birds=500, repeatability=true, caught_again=0.5
        )
        model = LeanMassModel(wing_error=0.012, draws=200).fit(birds)
        low, high = np.quantile(model.draws_["repeatability"], [0.05, 0.95])
        assert low - 0.05 < true < high + 0.05
        for name in ("lean_mass_g", "fuel_load"):
            assert 0.82 <= _inside(model.birds_, name, truth.birds[name]) <= 0.97


def test_coarse_rounding_widens_rather_than_biases() -> None:
    birds, truth = simulate_lean_mass(np.random.default_rng(10), birds=400, rounding_g=0.5)
    table = LeanMassModel(wing_error=0.012, draws=200).fit(birds).birds_
    away = (table["lean_mass_g"] - truth.birds["lean_mass_g"]).mean()
    assert abs(away) < 0.1  # a fifth of the step
    assert 0.8 <= _inside(table, "lean_mass_g", truth.birds["lean_mass_g"]) <= 0.97


def test_lean_condition_finds_a_lean_year_and_refuses_thin_classes(fitted) -> None:
    birds, _, _ = fitted
    year = np.where(np.arange(len(birds)) < 190, 2031, np.where(np.arange(len(birds)) < 395,
                                                                  2032, 2033))  # fmt: skip
    poor = birds.assign(mass_g=birds["mass_g"] * np.where(year == 2032, 0.95, 1.0))
    model = LeanMassModel(wing_error=0.012).fit(poor)
    condition = model.lean_condition(pd.DataFrame({"year": year}, index=birds.index))
    condition = condition.set_index("year")
    fall = condition.loc[2032, "estimate"] - condition.loc[2031, "estimate"]
    assert -0.075 < fall < -0.03
    assert condition.loc[2033, "refused"] == "5 birds, 10 needed"
    assert np.isnan(condition.loc[2033, "estimate"])


def test_same_seed_same_answer_and_new_birds_agree(fitted) -> None:
    birds, _, model = fitted
    again = LeanMassModel(wing_error=0.012).fit(birds)
    pd.testing.assert_frame_equal(model.birds_, again.birds_)
    ratio = model.predict(birds)["lean_mass_g"] / model.birds_["lean_mass_g"]
    assert ratio.sub(1).abs().max() < 0.03


@pytest.mark.parametrize("scale", [1.0, 350.0])
def test_hawks_and_hummingbirds_are_one_model(scale: float) -> None:
    birds, truth = simulate_lean_mass(np.random.default_rng(10), birds=150)
    large = birds.assign(mass_g=np.round(birds["mass_g"] * scale, 2), wing_mm=birds["wing_mm"] * 8)
    table = LeanMassModel(wing_error=0.012, rounding_g=0.01 * scale, draws=200).fit(large).birds_
    ratio = table["lean_mass_g"] / scale / truth.birds["lean_mass_g"]
    assert abs(np.log(ratio).mean()) < 0.05
