"""Draws of the Laplace approximation where locals are there before sampling begins."""

import numpy as np
import pytest
from season_worlds import SMALL_SCALES

from phenology.models import season, season_denied, season_draws
from phenology.models.refusal import Refused
from phenology.models.season import SeasonModel
from phenology.models.season_counts import SeasonCounts
from phenology.models.season_simulated import simulate_counts
from phenology.quantities import LOW_QUANTILE

FIRST_SAMPLED = 12  # day of the window


@pytest.fixture(scope="module")
def counts() -> SeasonCounts:
    """Some fifty locals a day, there two weeks before the window; sampled daily from its 12th."""
    sampled = np.zeros((3, 8, 91), bool)
    sampled[..., FIRST_SAMPLED:] = True
    told, _ = simulate_counts(
        np.random.default_rng(1),
        sampled,
        groups=1,
        role="local",
        first_day=180.0,
        last_day=270.0,
        fixed=SMALL_SCALES | {"dispersion": 20.0},
        group_coefficients=np.array([[4.0, -60.0, 20.0, 1.4, 1.6, 0.0, 0.0, 2.3, 0.0]]),
    )
    return told


def _lowest(model: SeasonModel) -> float:
    """Low end over middle of a site's birds on the first day sampled, all seasons together.

    Eight seasons of fifty birds, give or take thirteen, tell them to a tenth.
    """
    curve = model.curves_["pooled"].sel(role="local").isel(site=0, group=0, day=FIRST_SAMPLED)
    return float(curve.sel(quantile=LOW_QUANTILE) / curve.sel(quantile=0.5))


@pytest.mark.parametrize("method", ["laplace", "moved"])
def test_a_season_begun_before_sampling_is_not_told_as_empty(counts, method, monkeypatch) -> None:
    told = SeasonModel(method=method).fit(counts)
    assert _lowest(told) > 0.8
    left = told.diagnostics_.set_index("statistic")["value"]["share of draws denied"]
    assert left == 0
    monkeypatch.setattr(season_denied, "ALLOWED", np.inf)
    assert _lowest(SeasonModel(method=method).fit(counts)) < 0.75


@pytest.mark.parametrize("unheard_of", [300.0, np.inf])
def test_draws_that_are_all_denied_are_refused(counts, unheard_of, monkeypatch) -> None:
    """Where all but the first have locals rise after the window, or at no time at all."""
    told, kept = season_draws.draws_about, iter([1])

    def mostly_denied(*given):
        draws = told(*given)
        draws.shared[next(kept, 0) :, 1] = unheard_of
        return draws

    monkeypatch.setattr(season_draws, "draws_about", mostly_denied)
    monkeypatch.setattr(season_denied, "draws_about", mostly_denied)
    with pytest.raises(Refused, match="where the counts allow them"):
        SeasonModel(method="laplace").fit(counts)


def test_numbers_of_a_draw_with_nobody_are_finite(counts, monkeypatch) -> None:
    told = season.draw_laplace

    def one_empty(*given, **settings):
        drawn = told(*given, **settings)
        drawn.coefficients.shared[0, 1] = 300.0
        return drawn

    monkeypatch.setattr(season, "draw_laplace", one_empty)
    index = SeasonModel(method="laplace").fit(counts).draws_["capture_index"]
    assert np.isfinite(index).all()
