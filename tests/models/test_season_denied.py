"""Draws of the Laplace approximation where locals are there before sampling begins."""

import numpy as np
import pandas as pd
import pytest
from season_worlds import SMALL_SCALES

from phenology.models import season, season_denied
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


def _keep_all(drawn, *_, **__):
    return drawn.coefficients, pd.DataFrame()


def _lowest(model: SeasonModel) -> float:
    """Low end over middle of a site's birds on the first day sampled, all seasons together.

    Eight seasons of fifty birds, give or take thirteen, tell them to a tenth.
    """
    curve = model.curves_["pooled"].sel(role="local").isel(site=0, group=0, day=FIRST_SAMPLED)
    return float(curve.sel(quantile=LOW_QUANTILE) / curve.sel(quantile=0.5))


def test_a_season_begun_before_sampling_is_not_told_as_empty(counts, monkeypatch) -> None:
    told = SeasonModel(method="laplace").fit(counts)
    assert _lowest(told) > 0.8
    left = told.diagnostics_.set_index("statistic")["value"]["share of draws denied"]
    assert left == 0
    monkeypatch.setattr(season, "redraw_denied", _keep_all)
    assert _lowest(SeasonModel(method="laplace").fit(counts)) < 0.75


def test_draws_that_are_all_denied_are_refused(counts, monkeypatch) -> None:
    told = season.redraw_denied

    def all_but_one_denied(drawn, *given, **seed):
        drawn.coefficients.shared[1:, 1] = 300.0  # rises after the window
        monkeypatch.setattr(season_denied, "draws_about", lambda *_: drawn.coefficients)
        return told(drawn, *given, **seed)

    monkeypatch.setattr(season, "redraw_denied", all_but_one_denied)
    with pytest.raises(Refused, match="where the counts allow them"):
        SeasonModel(method="laplace").fit(counts)


def test_numbers_of_a_draw_with_nobody_are_finite(counts, monkeypatch) -> None:
    def one_empty(drawn, *_, **__):
        drawn.coefficients.shared[0, 1] = 300.0
        return _keep_all(drawn)

    monkeypatch.setattr(season, "redraw_denied", one_empty)
    index = SeasonModel(method="laplace").fit(counts).draws_["capture_index"]
    assert np.isfinite(index).all()
