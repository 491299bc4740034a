"""The Gaussian mixed model: against direct algebra, and on data whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal
from statsmodels.discrete.discrete_model import Logit

from phenology.models.mixed_arrowhead import Arrowhead
from phenology.models.mixed_effects import (
    Prior,
    draw_posterior,
    fit_mixed_effects,
    restricted_estimate,
)
from phenology.models.mixed_effects_rows import RandomEffect, RowSums, sum_columns, sum_rows
from phenology.models.mixed_share import draw_share_posterior
from phenology.models.refusal import Refused


def _crossed(seed: int, rows: int = 400):
    rng = np.random.default_rng(seed)
    site, year = rng.integers(6, size=rows), rng.integers(9, size=rows)
    design = np.column_stack([np.ones(rows), rng.normal(size=rows)])
    outcome = (
        design @ [2.0, 0.5]
        + rng.normal(0, 0.8, 6)[site]
        + rng.normal(0, 0.4, 9)[year]
        + rng.normal(0, 1.0, rows)
    )
    return outcome, design, [RandomEffect("site", site, 6), RandomEffect("year", year, 9)]


def _dense_log_density(outcome, design, effects, weights, sds) -> float:
    """Restricted log likelihood from the full covariance of the rows, up to its constant."""
    covariance = np.diag(sds[0] ** 2 / weights)
    for effect, sd in zip(effects, sds[1:], strict=True):
        indicator = np.eye(effect.count)[effect.level]
        covariance += sd**2 * indicator @ indicator.T
    inverse = np.linalg.inv(covariance)
    information = design.T @ inverse @ design
    best = np.linalg.solve(information, design.T @ inverse @ outcome)
    residual = outcome - design @ best
    return -0.5 * (
        np.linalg.slogdet(covariance)[1]
        + np.linalg.slogdet(information)[1]
        + residual @ inverse @ residual
    )


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), sd=st.floats(0.1, 2.0))
def test_marginal_density_equals_that_of_the_full_covariance(seed: int, sd: float) -> None:
    from phenology.models.mixed_effects import _log_density

    outcome, design, effects = _crossed(seed, 60)
    weights = np.random.default_rng(seed).uniform(0.5, 3.0, 60)
    sums = sum_rows(outcome, design, effects, weights)
    sets = np.array([[1.0, 0.5, 0.5], [0.7, sd, 0.2]])
    ours = _log_density(sums, None, np.log(sets))[:, 0]
    theirs = [_dense_log_density(outcome, design, effects, weights, one) for one in sets]
    np.testing.assert_allclose(ours[1] - ours[0], theirs[1] - theirs[0], rtol=1e-7, atol=1e-7)


@pytest.mark.parametrize(
    ("levels_a_cell", "joined", "width", "filled"),
    [(1, 12, 2, False), (2, 12, 4, False), (2, 6, 4, True), (3, 12, 1, False)],
)
def test_blocks_leave_the_density_as_it_is(levels_a_cell, joined, width, filled) -> None:
    """Each row is of a level of two roles; where cells join three levels there are no blocks."""
    from phenology.models.mixed_effects import _log_density

    rng = np.random.default_rng(joined + width)
    level, turn = np.arange(60) % 12, np.arange(60) // 12
    cell = np.where(level < joined, level // levels_a_cell, level) + 12 * turn
    share, role = rng.random((60, 1)), np.eye(12)[level]
    columns = np.concatenate([np.ones((60, 1)), share * role, (1 - share) * role], axis=1)
    outcome = rng.normal(size=60)
    sums = sum_columns(outcome, columns, (24,), cells=cell)
    assert sums.arrangement.width == width
    assert (sums.arrangement.order == columns.shape[1]).any() == filled
    sds = np.array([[1.0, 0.5, 0.3], [0.7, 1.5, 0.9]])
    ours = _log_density(sums, Prior(np.zeros(1), np.array([2.0]), 1.0), np.log(sds))[:, 0]
    levels, same_cell = columns[:, 1:] @ columns[:, 1:].T, np.equal.outer(cell, cell)
    theirs = [
        multivariate_normal.logpdf(
            outcome, cov=np.eye(60) * bird**2 + levels * level_sd**2 + 4.0 + same_cell * day_sd**2
        )
        for bird, level_sd, day_sd in sds
    ]
    prior = (np.log(sds) - 0.5 * sds**2).sum(axis=1)
    np.testing.assert_allclose(np.diff(ours), np.diff(theirs + prior), rtol=1e-7, atol=1e-7)


def test_cells_integrated_out_equal_a_random_effect_of_the_same_levels() -> None:
    outcome, design, effects = _crossed(3)
    cell = effects[0].level * 9 + effects[1].level
    named = RandomEffect("cell", cell, 54)
    inside = restricted_estimate(sum_rows(outcome, design, [*effects, named]))
    outside = restricted_estimate(sum_rows(outcome, design, effects, cells=cell))
    np.testing.assert_allclose(outside.sds, inside.sds, atol=2e-3)
    np.testing.assert_allclose(outside.coefficients[:2], inside.coefficients[:2], atol=1e-3)


def test_a_weight_of_three_is_three_equal_rows_and_zero_is_none() -> None:
    outcome, design, effects = _crossed(4, 80)
    weights = np.where(np.arange(80) % 4 == 0, 3.0, 1.0)
    weights[5] = 0.0
    repeat = weights.astype(int)
    spread = [
        RandomEffect(effect.name, np.repeat(effect.level, repeat), effect.count)
        for effect in effects
    ]
    once = sum_rows(outcome, design, effects, weights)
    thrice = sum_rows(np.repeat(outcome, repeat), np.repeat(design, repeat, axis=0), spread)
    np.testing.assert_allclose(once.products.blocks, thrice.products.blocks)
    np.testing.assert_allclose(once.products.side, thrice.products.side)
    np.testing.assert_allclose(once.products.corner, thrice.products.corner)
    np.testing.assert_allclose(once.cross, thrice.cross)
    assert once.rows == 79


def test_intervals_cover_with_few_levels() -> None:
    inside = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        site, year = rng.integers(3, size=240), rng.integers(5, size=240)
        by_year = rng.normal(size=5)[year]  # a driver of the year: five values teach it
        design = np.column_stack([np.ones(240), by_year])
        outcome = 0.5 * by_year + rng.normal(0, 0.5, 3)[site] + rng.normal(0, 0.5, 5)[year]
        fitted = fit_mixed_effects(
            outcome + rng.normal(size=240),
            design,
            [RandomEffect("site", site, 3), RandomEffect("year", year, 5)],
            names=["intercept", "driver"],
            draws=200,
            seed=seed,
        )
        low, high = fitted["coefficient"].sel(term="driver").quantile([0.05, 0.95], "draw").values
        inside.append(low <= 0.5 <= high)
    assert 0.8 <= np.mean(inside) < 1.0  # 60 studies: binomial error .04


def test_a_normal_prior_enters_as_its_precision() -> None:
    rng = np.random.default_rng(5)
    outcome = rng.normal(3.0, 1.0, 50)
    sums = sum_rows(outcome, np.ones((50, 1)), [])
    prior = Prior(np.zeros(1), np.array([0.1]), 1.0)
    drawn = draw_posterior(sums, prior, rng, 4000)
    sigma2 = drawn.sds[:, 0] ** 2  # the prior pulls the mean to 0, so sigma grows
    expected = (outcome.sum() / sigma2) / (50 / sigma2 + 100)
    assert drawn.coefficients[:, 0].mean() == pytest.approx(expected.mean(), abs=0.01)


def test_columns_that_move_together_are_refused_without_a_prior() -> None:
    outcome, design, effects = _crossed(5)
    twice = np.column_stack([design, 3 * design[:, 1]])
    with pytest.raises(Refused, match="move together"):
        fit_mixed_effects(outcome, twice, effects, names=["intercept", "driver", "thrice"])


def test_outcomes_on_the_same_rows_keep_their_order() -> None:
    outcome, design, effects = _crossed(6)
    shifts = np.arange(30.0)
    sums = sum_rows(outcome[:, None] + shifts, design, effects)
    prior = Prior(np.zeros(2), np.full(2, np.inf), 1.0)
    drawn = draw_posterior(sums, prior, np.random.default_rng(6))
    assert np.corrcoef(drawn.coefficients[:, 0], shifts)[0, 1] > 0.99
    assert drawn.efficiency > 0.3


def test_shares_of_each_imputation_are_drawn_about_its_own_logit_regression() -> None:
    """Statsmodels' logit of two outcomes in turn; priors are wide and there are no effects."""
    rng = np.random.default_rng(8)
    design = np.column_stack([np.ones(300), rng.normal(size=300)])
    two = (rng.random((2, 300)) < 1 / (1 + np.exp(-design @ [0.5, 0.8]))).astype(float)
    prior = Prior(np.zeros(2), np.full(2, 50.0), 1.0)
    drawn = draw_share_posterior(np.tile(two, (400, 1)), design, (), prior=prior, rng=rng)
    for number, outcome in enumerate(two):
        theirs = Logit(outcome, design).fit(disp=0)
        ours = drawn.coefficients[number::2]
        np.testing.assert_allclose(ours.mean(0), theirs.params, atol=0.2 * theirs.bse.min())
        np.testing.assert_allclose(ours.std(0), theirs.bse, rtol=0.12)


def test_imputations_that_answer_far_apart_each_find_their_own_mode() -> None:
    """A half of yes and none at all: the curvature of their mean is that of neither."""
    rng = np.random.default_rng(3)
    site = np.arange(120) % 6
    columns = np.column_stack([np.ones(120), site[:, None] == np.arange(6)]).astype(float)
    half = rng.random(120) < 0.5
    outcomes = np.tile([half, np.zeros(120)], (50, 1)).astype(float)
    prior = Prior(np.zeros(1), np.array([20.0]), 0.5)
    drawn = draw_share_posterior(outcomes, columns, (6,), prior=prior, rng=rng)
    shares = (1 / (1 + np.exp(-drawn.coefficients @ columns.T))).mean(axis=1)
    assert shares[::2].mean() == pytest.approx(half.mean(), abs=0.02)
    assert shares[1::2].mean() < 0.2


def test_standard_deviations_that_numbers_cannot_tell_have_no_density() -> None:
    """Twenty milliard rows outweigh the priors of levels where the residual is next to nothing."""
    from phenology.models.mixed_effects import _log_density

    sums = _repeated(sum_rows(*_crossed(9)), 50_000_000)
    told, beyond = np.log([[1.0, 0.8, 0.4], [1e-4, 20.0, 20.0]])
    density = _log_density(sums, None, np.stack([told, beyond, told]))[:, 0]
    assert np.isfinite(density).tolist() == [True, False, True]
    assert density[1] == -np.inf
    assert density[0] == pytest.approx(_log_density(sums, None, told[None])[0, 0])
    estimate = restricted_estimate(sums)
    assert estimate.sds[0] == pytest.approx(1.0, abs=0.15)
    np.testing.assert_allclose(estimate.coefficients[1], 0.5, atol=0.15)


def _repeated(sums: RowSums, times: int) -> RowSums:
    """Every row as often, each time of its own."""
    products = (sums.products.blocks, sums.products.side, sums.products.corner)
    return replace(
        sums,
        products=Arrowhead(*(times * part for part in products)),
        cross=times * sums.cross,
        square=times * sums.square,
        rows=times * sums.rows,
        log_weight=times * sums.log_weight,
    )


def test_an_outcome_without_variation_is_refused() -> None:
    _, design, effects = _crossed(7, 40)
    with pytest.raises(Refused, match="does not vary"):
        restricted_estimate(sum_rows(np.ones(40), design, effects))
    with pytest.raises(ValueError, match="weights of 0 or 1"):
        sum_rows(np.ones(40), design, effects, np.full(40, 2.0), effects[0].level)
