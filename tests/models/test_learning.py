"""Shares of learning against refits of a linear model, and where one site-year knows it all."""

import numpy as np
import pytest

from phenology.models.learning import SiteYears, learning_shares


def _two_seasons(
    precisions: tuple[float, float], prior_sd: float = 1.0
) -> tuple[SiteYears, np.ndarray]:
    """One shared coefficient θ ~ N(0, 1) and one own u ~ N(0, 0.5²) a season; y sees θ + u."""
    own_sd, shared_sd = np.array([0.5]), np.array([prior_sd])
    own = np.zeros((1, 2, 1, 1))
    border = np.zeros((1, 2, 1, 1))
    information = np.zeros((1, 2, 1, 1))
    schur = np.eye(1) / shared_sd**2
    for season, precision in enumerate(precisions):
        block = precision + 1 / own_sd[0] ** 2
        own[0, season] = np.sqrt(block)
        border[0, season] = precision / np.sqrt(block)
        information[0, season] = precision - precision**2 / block
        schur = schur + information[0, season]
    touched = np.zeros((1, 2, 1), int)
    fit = SiteYears(own, border, np.sqrt(schur), information, touched, own_sd, shared_sd)
    return fit, np.ones((1, 2, 1, 2))  # the answer is θ + u


def _variance(precisions: tuple[float, float], season: int) -> float:
    """Closed form: posterior variance of θ + u_season."""
    matrix = np.diag([1.0, 4.0, 4.0])
    for number, precision in enumerate(precisions):
        seen = np.eye(3)[0] + np.eye(3)[number + 1]
        matrix += precision * np.outer(seen, seen)
    asked = np.eye(3)[0] + np.eye(3)[season + 1]
    return float(asked @ np.linalg.solve(matrix, asked))


@pytest.mark.parametrize("precisions", [(3.0, 8.0), (0.0, 5.0), (20.0, 0.1)])
def test_shares_equal_refits_with_the_site_year_left_out(precisions: tuple[float, float]) -> None:
    fit, slopes = _two_seasons(precisions)
    shares = learning_shares(fit, slopes, np.ones((1, 2), bool))[0, :, 0]
    for season in (0, 1):
        without = tuple(0.0 if n == season else p for n, p in enumerate(precisions))
        everything = _variance(precisions, season)
        own = 1 - everything / _variance(without, season)
        prior = min(everything / _variance((0.0, 0.0), season), 1 - own)
        np.testing.assert_allclose(shares[season], [own, 1 - own - prior, prior], atol=1e-10)
        assert shares[season].sum() == pytest.approx(1.0)


def test_site_years_that_bend_the_wrong_way_leave_at_least_the_prior() -> None:
    fit, slopes = _two_seasons((3.0, 0.0))
    overfull = fit._replace(information=fit.information * 1.8)
    shares = learning_shares(overfull, slopes, np.ones((1, 2), bool))
    assert np.isfinite(shares).all()
    kept = learning_shares(fit, slopes, np.ones((1, 2), bool))
    np.testing.assert_allclose(shares[0, 0], kept[0, 0], atol=1e-12)  # nothing else was known
