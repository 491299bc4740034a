"""Role: calibration, known birds, no manufactured contrast, scikit-learn's conventions."""

import numpy as np
import pytest
from sklearn.metrics import brier_score_loss
from sklearn.utils.estimator_checks import check_estimator, estimator_checks_generator

from phenology.models.birds_calibration import simulate_mixed_species
from phenology.models.refusal import Refused
from phenology.models.role import RoleModel
from phenology.models.role_simulated import simulate_roles

SIGNS = {"fuel_load": -1, "breeding": 1, "span_days": 1}


def _model(**options) -> RoleModel:
    return RoleModel(by_group=("day",), signs=SIGNS, **options)


@pytest.mark.parametrize("known", [0.2, 0.0])
def test_probabilities_are_calibrated_with_and_without_known_birds(known: float) -> None:
    probability, truth, by_date = [], [], []
    for seed in range(4):
        birds, local = simulate_roles(np.random.default_rng(seed), birds=1000, known_local=known)
        model = _model().fit(birds.traits, birds.known, group=birds.group)
        probability.append(model.predict_proba(birds.traits, group=birds.group)[:, 0])
        dates = birds.traits[["day"]]
        plain = RoleModel(by_group=("day",), signs={"day": -1})
        plain.fit(dates, birds.known, group=birds.group)
        by_date.append(plain.predict_proba(dates, group=birds.group)[:, 0])
        truth.append(local)
    p, local = np.concatenate(probability), np.concatenate(truth)
    assert _calibration_error(p, local) < 0.04
    assert brier_score_loss(local, p) < 0.7 * brier_score_loss(local, np.concatenate(by_date))


def _calibration_error(p: np.ndarray, local: np.ndarray) -> float:
    tenth = np.clip((p * 10).astype(int), 0, 9)
    return sum(
        abs(p[tenth == k].mean() - local[tenth == k].mean()) * (tenth == k).mean()
        for k in np.unique(tenth)
    )


def test_a_site_worked_late_does_not_make_its_locals_passage_birds() -> None:
    """Birds of seasons simulated on other principles; where and when sites were worked counts."""
    told, even, truth = [], [], []
    for seed in range(4):
        birds, local, effort = simulate_mixed_species(seed)
        traits = birds[["day", "fuel_load", "span_days", "moult"]]
        known = np.where(birds["breeding"], "local", "unknown")
        model = RoleModel(
            by_group=("day",), dates=("day",), signs={"fuel_load": -1, "span_days": 1}
        )
        places = {"group": birds["group"], "place": birds["site"]}
        fitted = model.fit(traits, known, effort=effort, **places)
        told.append(fitted.predict_proba(traits, **places)[:, 0])
        even.append(model.fit(traits, known, **places).predict_proba(traits, **places)[:, 0])
        truth.append(local)
    p, without, local = map(np.concatenate, (told, even, truth))
    assert len(local) > 1000
    assert _calibration_error(p, local) < 0.07
    assert brier_score_loss(local, p) < brier_score_loss(local, without)


def test_known_birds_do_not_bias_the_share_of_locals() -> None:
    """A fifth of locals are known and no passage bird is: as truth, they would pull the share."""
    shares = []
    for seed in range(5):
        birds, local = simulate_roles(
            np.random.default_rng(seed), birds=1000, share_local=0.5, known_local=0.5
        )
        _, drawn = _model(draws=20).draw_roles(birds.traits, birds.known, group=birds.group)
        p_local = drawn.mean(axis=0)
        shares.append(p_local.mean() - local.mean())
    assert abs(np.mean(shares)) < 0.02


def test_equal_fuel_gives_no_contrast_and_circular_draws_do() -> None:
    covers, circular = 0, []
    for seed in range(10):
        birds, _ = simulate_roles(
            np.random.default_rng(seed), birds=1000, equal_fuel=True, known_local=0.1
        )
        fuel = birds.traits["fuel_load"].to_numpy()
        apart, _ = _model(draws=100).draw_roles(
            birds.traits, birds.known, group=birds.group, without=("fuel_load",)
        )
        contrast = np.array([fuel[~each].mean() - fuel[each].mean() for each in apart])
        noise = fuel.std() * np.sqrt(4 / len(fuel))
        contrast += noise * np.random.default_rng(seed).standard_normal(len(contrast))
        low, high = np.quantile(contrast, [0.05, 0.95])
        covers += low <= 0 <= high
        alone = birds.traits[["fuel_load"]]
        by_fuel = RoleModel(signs={"fuel_load": -1}).fit(alone, birds.known)
        p_local = by_fuel.predict_proba(alone)[:, 0]
        likelier = p_local >= np.median(p_local)  # whatever share of locals the model arrives at
        circular.append(fuel[~likelier].mean() - fuel[likelier].mean())
    assert covers >= 8
    assert np.mean(np.abs(circular)) > 0.1


def test_a_strong_prior_decides_where_traits_say_nothing() -> None:
    rng = np.random.default_rng(3)
    birds, _ = simulate_roles(rng, birds=1000)
    model = _model().fit(birds.traits, birds.known, group=birds.group)
    blank = birds.traits.head(1).assign(
        day=np.nan, fuel_load=np.nan, breeding=np.nan, moult=None, span_days=np.nan
    )
    group = birds.group[:1]
    local = model.predict_proba(blank, prior_local=[0.95], group=group)[0, 0]
    passage = model.predict_proba(blank, prior_local=[0.05], group=group)[0, 0]
    assert local > 0.85
    assert passage < 0.15


def test_nothing_to_tell_by_is_refused() -> None:
    birds, _ = simulate_roles(np.random.default_rng(4), birds=200, known_local=0.0)
    for known in (None, birds.known):
        with pytest.raises(Refused, match="nothing tells local from passage"):
            RoleModel().fit(birds.traits, known)


def test_words_never_seen_and_missing_values_are_no_evidence() -> None:
    birds, _ = simulate_roles(np.random.default_rng(5), birds=1000)
    model = _model().fit(birds.traits, birds.known, group=birds.group)
    odd = birds.traits.head(3).assign(moult="a word never seen")
    without = birds.traits.head(3).assign(moult=None)
    np.testing.assert_allclose(
        model.predict_proba(odd, group=birds.group[:3]),
        model.predict_proba(without, group=birds.group[:3]),
    )


QUICK = {
    "check_estimator_cloneable",
    "check_estimator_repr",
    "check_no_attributes_set_in_init",
    "check_parameters_default_constructible",
    "check_estimators_unfitted",
    "check_n_features_in",
    "check_fit2d_1sample",
    "check_complex_data",
    "check_classifiers_one_label",
    "check_requires_y_none",
}


def test_scikit_learns_conventions_at_a_glance() -> None:
    ran = 0
    for estimator, check in estimator_checks_generator(RoleModel(bins=4)):
        if check.func.__name__ in QUICK:
            check(estimator)
            ran += 1
    assert ran >= len(QUICK) - 2


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:Skipping check")
def test_scikit_learns_own_checks() -> None:
    results = check_estimator(RoleModel(), on_fail="raise")
    assert sum(result["status"] == "passed" for result in results) >= 50
