"""The nested Laplace approximation against cases with a known answer."""

import numpy as np
import pytest

from phenology.models.laplace import fit_laplace, identified
from phenology.models.refusal import Refused


def test_scale_outside_gives_the_unbiased_variance() -> None:
    """With a flat prior on the mean the marginal mode of log σ is at Σr² / (n − 1)."""
    y = np.random.default_rng(1).normal(5.0, 2.0, 12)

    def derivatives(theta, phi):
        precision = np.exp(-2 * phi[0])
        residual = y - theta[0]
        value = 0.5 * precision * residual @ residual + y.size * phi[0]
        gradient = np.array([-precision * residual.sum()])
        return value, gradient, np.array([[precision * y.size]])

    fit = fit_laplace(derivatives, np.zeros(1), np.zeros(1))
    assert fit.theta[0] == pytest.approx(y.mean())
    assert np.exp(2 * fit.phi[0]) == pytest.approx(y.var(ddof=1), rel=0.01)
    theta, phi = fit.draws(4000, np.random.default_rng(2))
    assert theta.std() == pytest.approx(y.std(ddof=1) / np.sqrt(12), rel=0.1)
    assert phi.std() == pytest.approx(1 / np.sqrt(2 * 11), rel=0.1)


def test_a_free_combination_is_refused() -> None:
    def derivatives(theta, phi):
        off = theta.sum() - 1.0
        return 0.5 * off**2, np.full(2, off), np.ones((2, 2)) + 1e-12 * np.eye(2)

    with pytest.raises(Refused, match="not identified"):
        fit_laplace(derivatives, np.zeros(2))


def test_a_density_without_a_mode_is_refused() -> None:
    def derivatives(theta, phi):
        return -float(theta[0]), np.array([-1.0]), np.array([[1e-3]])

    with pytest.raises(Refused, match="no mode"):
        fit_laplace(derivatives, np.zeros(1))


def test_scaled_eigenvalues_do_not_depend_on_units() -> None:
    hessian = np.array([[4.0, 1.0], [1.0, 9.0]])
    units = np.diag([1000.0, 0.01])
    np.testing.assert_allclose(identified(units @ hessian @ units), identified(hessian))
