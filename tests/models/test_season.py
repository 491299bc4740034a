"""The season model at its seams: what goes in, what is told, what is refused."""

from dataclasses import replace

import jax
import jax.numpy as jnp
import numpy as np
import pytest
import xarray as xr
from season_worlds import SMALL_SCALES
from threadpoolctl import threadpool_limits

from phenology.assess.season import basis_of, date_shares
from phenology.models import season, season_laplace, season_moved
from phenology.models.inference import double_precision
from phenology.models.refusal import Refused
from phenology.models.season import SeasonModel
from phenology.models.season_arrow import assemble, log_determinant, solve
from phenology.models.season_counts import SeasonCounts
from phenology.models.season_curves import log_presence
from phenology.models.season_density import Coefficients, joint
from phenology.models.season_design import design_arrays, first_guess
from phenology.models.season_moved import model_to_straight
from phenology.models.season_predictors import HYPER
from phenology.models.season_presence import live_flock, present_dates
from phenology.models.season_sampled import Position, straight_frame, straight_to_model
from phenology.models.season_simulated import simulate_counts
from phenology.models.season_slopes import presence_slopes, weighted_curvature


def _study(seed: int, first_day: float = 180.0):
    sampled = np.zeros((2, 4, 91), bool)
    sampled[0, :3, ::3] = True  # three seasons every third day, the last not at all
    sampled[1, :, 45] = True  # one day a year
    return simulate_counts(
        np.random.default_rng(seed),
        sampled,
        groups=2,
        role="passage",
        first_day=first_day,
        last_day=first_day + 90,
        fixed=SMALL_SCALES,
    )


@pytest.fixture(scope="module")
def study():
    return _study(34)


@pytest.fixture(scope="module")
def model(study) -> SeasonModel:
    return SeasonModel(method="laplace").fit(study[0])


@pytest.fixture(scope="module")
def one_day() -> list[tuple[dict[str, np.ndarray], dict[str, np.ndarray]]]:
    """Of each study: shares of the dates where one day a year was worked, and what held them."""
    sampled = np.zeros((4, 6, 91), bool)
    sampled[:3, :, ::4] = True
    sampled[3, :, 40] = True
    fixed = {"level_group_site_year": np.log(2) / np.sqrt(2)}  # ratio of two groups: sd log 2
    there = {"role": "passage", "site": "site 3"}
    studies = []
    for seed in range(1, 7):
        counts, truth = simulate_counts(
            np.random.default_rng(seed),
            sampled,
            groups=2,
            role="passage",
            first_day=180.0,
            last_day=270.0,
            fixed=fixed,
        )
        told = SeasonModel(method="laplace", seed=seed).fit(counts)
        shares, inside = {}, {}
        for name in ("arrival_day", "peak_day", "departure_day"):
            of_date = date_shares(told).sel(quantity=name, **there)
            shares[name] = of_date.transpose(..., "share").to_numpy().reshape(-1, 3)
            low, high = told.draws_[name].sel(there).quantile([0.05, 0.95], "draw")
            true = truth[name].sel(there)
            inside[name] = ((low <= true) & (true <= high)).to_numpy().ravel()
        studies.append((shares, inside))
    return studies


@pytest.fixture(scope="module")
def moved(study) -> SeasonModel:
    return SeasonModel().fit(study[0])


def test_dates_of_sampled_seasons_are_near_the_truth(study, model) -> None:
    _, truth = study
    for quantity in ("arrival_day", "peak_day", "departure_day"):
        drawn = model.draws_[quantity].sel(role="passage").isel(site=0, season=slice(0, 3))
        true = truth[quantity].sel(role="passage").isel(site=0, season=slice(0, 3))
        z = (drawn.mean("draw").values - true.values) / drawn.std("draw").values
        assert np.abs(z).max() < 4


def test_few_birds_scatter_more_than_many() -> None:
    """Of a Poisson flock of N birds, the 5 % day has a spread that falls with N."""
    days = np.arange(91.0)
    curve = np.exp(-(((days - 45) / 9) ** 2) / 2)
    rng = np.random.default_rng(3)
    share, stay = np.full(400, 0.1), np.full(400, 6.0)
    spreads = [
        present_dates(
            live_flock(np.broadcast_to(size * curve, (400, 91)), share, stay, rng), days, 1
        ).std(0)
        for size in (0.4, 40.0)
    ]
    assert (spreads[0] > 3 * spreads[1]).all()


def test_a_flock_has_the_mean_of_its_curve() -> None:
    days = np.arange(91.0)
    curve = np.broadcast_to(np.exp(-(((days - 45) / 9) ** 2) / 2), (4000, 91))
    flock = live_flock(curve, np.full(4000, 0.1), np.full(4000, 6.0), np.random.default_rng(4))
    np.testing.assert_allclose(flock.mean(0), 10 * curve[0], atol=0.3)


def test_slopes_of_the_curves_are_those_of_automatic_differentiation() -> None:
    rng = np.random.default_rng(5)
    predictors = rng.normal(size=(20, 10)) * [1, 20, 20, 0.5, 0.5, 1, 20, 0.5, 0.3, 1]
    day = rng.uniform(-40, 40, 20)
    automatic = jax.jit(
        jax.vmap(lambda *at: (jax.grad(log_presence, 1)(*at), jax.hessian(log_presence, 1)(*at)))
    )
    with double_precision():
        for roles in ([True, True], [True, False], [False, True]):
            present = np.tile(roles, (20, 1))
            slopes = presence_slopes(day[:, None], predictors[:, None], present[:, None])
            bend = weighted_curvature(np.full((20, 1), 2.0), slopes)
            own, hessian = automatic(day, predictors, present)
            np.testing.assert_allclose(slopes.slope[:, 0], own, atol=1e-9)
            np.testing.assert_allclose(bend, 2 * hessian, atol=1e-9)


def test_most_new_birds_come_before_most_birds(model) -> None:
    curves = model.curves_.sel(role="passage").isel(site=0)
    present, first = (curves[name].sel(quantile=0.5) for name in ("pooled", "first_captured"))
    assert (first <= present + 1e-9).all()
    assert (first.idxmax("day") < present.idxmax("day")).all()


def test_a_season_without_sampling_gets_a_wider_prediction(model) -> None:
    spread = model.draws_["peak_day"].sel(role="passage").std("draw").isel(site=0)
    assert (spread.isel(season=3) > spread.isel(season=slice(0, 3)).mean("season")).all()


@pytest.mark.parametrize("quantity", ["arrival_day", "peak_day", "departure_day"])
def test_one_day_a_year_borrows_its_dates_and_keeps_their_coverage(one_day, quantity) -> None:
    """Though the ratio of the groups varies twofold between site-years, and looks like a date."""
    shares = np.concatenate([shares[quantity] for shares, _ in one_day])
    assert (shares[:, 0] < 0.5).all()
    assert {basis_of(each) for each in shares} == {"borrowed"}
    inside = np.concatenate([inside[quantity] for _, inside in one_day])
    assert inside.mean() > 0.8


def test_a_season_of_many_days_tells_its_own_dates(model) -> None:
    own = date_shares(model).sel(quantity="peak_day", role="passage", share="own").isel(site=0)
    assert (own.isel(season=slice(0, 3)) > 0.5).all()


def test_shares_sum_to_one(model) -> None:
    total = model.shares_.sel(role="passage").sum("share")
    np.testing.assert_allclose(total, 1.0, atol=1e-6)


def test_dates_move_with_the_calendar(study, model) -> None:
    """The same counts 200 days later, across New Year, give the same dates 200 days later."""
    counts, _ = study
    moved = SeasonCounts(
        **{
            name: getattr(counts, name)
            for name in ("count", "group", "site", "season", "groups", "sites", "seasons", "roles")
        },
        day=counts.day + 200,
        first_day=counts.first_day + 200,
        last_day=counts.last_day + 200,
    )
    there = SeasonModel(method="laplace").fit(moved)
    np.testing.assert_allclose(
        model.curves_["pooled"].values, there.curves_["pooled"].values, rtol=1e-4
    )
    earlier, later = (fit.draws_["pooled_peak_day"].values for fit in (model, there))
    np.testing.assert_allclose(earlier + 200, later, atol=1e-2)


def test_a_second_fit_does_not_compile_again(model, caplog) -> None:
    def compiled() -> int:
        return sum("XLA compilation" in one.getMessage() for one in caplog.records)

    with jax.log_compiles():
        SeasonModel(method="laplace").fit(_study(13)[0])
        assert compiled() == 0
        jax.jit(lambda x: x * 2 + 13)(1.0)
    assert compiled() > 0  # else nothing was counted


def test_answers_do_not_depend_on_the_number_of_threads(study, model) -> None:
    for threads in (1, 3):
        with threadpool_limits(threads):
            again = SeasonModel(method="laplace").fit(study[0])
        xr.testing.assert_identical(again.draws_, model.draws_)


def test_many_counts_whose_fit_fails_are_refused_not_sampled_for_hours(study, monkeypatch) -> None:
    monkeypatch.setattr(season, "MOST_CUT", -1.0)
    monkeypatch.setattr(season, "MOST_SAMPLED", 10)
    with pytest.raises(Refused, match="hang on a few points"):
        SeasonModel().fit(study[0])


def test_a_study_without_birds_is_refused(study) -> None:
    counts, _ = study
    with pytest.raises(Refused, match="no bird"):
        SeasonModel().fit(replace(counts, count=np.zeros_like(counts.count)))


def test_full_days_are_at_least_their_count(study, model) -> None:
    """A day closed because full says "at least": numbers may only be higher than counted."""
    counts, _ = study
    columns = {
        name: getattr(counts, name)
        for name in (
            "count", "group", "site", "season", "day", "groups", "sites", "seasons", "roles",
            "first_day", "last_day",
        )
    }  # fmt: skip
    full = SeasonCounts(**columns, censored=counts.count >= np.quantile(counts.count, 0.9))
    fits = (model, SeasonModel(method="laplace").fit(full))
    plain, raised = (fit.curves_["pooled"].isel(site=0) for fit in fits)
    assert float(raised.sel(role="passage", quantile=0.5).sum()) > float(
        plain.sel(role="passage", quantile=0.5).sum()
    )


def test_draws_are_moved_where_a_season_was_worked_but_thinly(moved, model) -> None:
    """A day a year at the second site: the approximation alone is too narrow there."""
    assert moved.method_ == "moved"
    assert moved.diagnostics_["passed"].all()
    assert "share of moves accepted" in set(moved.diagnostics_["statistic"])
    of_passage = (fitted.draws_["departure_day"].sel(role="passage") for fitted in (moved, model))
    spread, before = (draws.std("draw") for draws in of_passage)
    thin, rich = (float((spread / before).isel(site=site).mean()) for site in (1, 0))
    assert thin > 1.02
    assert rich == pytest.approx(1.0, abs=0.15)


def test_moves_that_are_too_long_are_halved(study, moved, monkeypatch) -> None:
    monkeypatch.setattr(season_moved, "_STEP", 1.0)
    halved = SeasonModel(method="moved").fit(study[0])
    spreads = [fitted.draws_["departure_day"].std("draw") for fitted in (halved, moved)]
    assert float((spreads[0] / spreads[1]).mean()) == pytest.approx(1.0, abs=0.1)
    monkeypatch.setattr(season_moved, "_HALVINGS", 0)
    with pytest.raises(Refused, match="moved freely"):
        SeasonModel(method="moved").fit(study[0])


def _centred(counts: SeasonCounts):
    sizes, laid = design_arrays(counts)
    design = jax.tree.map(jnp.asarray, laid)
    own = jnp.zeros((sizes.sites, sizes.seasons, sizes.local))
    start = Coefficients(jnp.asarray(first_guess(counts, sizes, laid.prior_mean)), own)
    return season_laplace.fit_laplace(start, design, sizes), design, sizes


def test_the_search_for_scales_stops_where_their_marginal_falls(study, monkeypatch) -> None:
    """There the coefficients have left their mode for one that few draws would have."""
    settle, scale = season_laplace.settle, HYPER.index("log_passage_date_site_year")
    edge, lost = 0.6, []  # the second step crosses it: the marginal is highest near .8
    with double_precision():

        def settle_and_be_lost(start, hyper, design, sizes, *most_steps):
            there = settle(start, hyper, design, sizes, *most_steps)
            lost.extend([True] * bool(hyper[scale] > edge))
            return there._replace(height=there.height - 100.0 * bool(lost))

        monkeypatch.setattr(season_laplace, "settle", settle_and_be_lost)
        assert _centred(study[0])[0].hyper[scale] <= edge


def test_an_edge_near_the_top_is_not_taken_for_a_scales_spread(study, monkeypatch) -> None:
    """Beyond it the coefficients fall from their mode: spreads are measured short of it."""
    settle, scale = season_laplace.settle, HYPER.index("log_passage_date_site_year")
    with double_precision():
        plain = _centred(study[0])[0]
        edge = plain.hyper[scale] + 0.3

        def settle_short_of_the_edge(start, hyper, design, sizes, *most_steps):
            there = settle(start, hyper, design, sizes, *most_steps)
            return there._replace(height=there.height - 1e4 * bool(hyper[scale] > edge))

        monkeypatch.setattr(season_laplace, "settle", settle_short_of_the_edge)
        beside = _centred(study[0])[0]
    np.testing.assert_allclose(beside.hyper_sd[:, scale] / plain.hyper_sd[:, scale], 1, rtol=0.5)


def test_the_factored_information_is_the_hessian_of_the_log_density(study) -> None:
    """Against differences of JAX's gradient, in one dense matrix, with a driver and padding."""
    years = np.random.default_rng(3).normal(size=(2, 4))
    counts = replace(study[0], drivers={"bloom": years})
    with double_precision():
        fit, design, sizes = _centred(counts)
        hyper, at = jnp.asarray(fit.hyper), fit.coefficients
        shared = at.shared.size

        def log_density(flat):
            local = flat[shared:].reshape(at.local.shape)
            return joint(Coefficients(flat[:shared], local), hyper, design, sizes)

        flat = jnp.concatenate([at.shared, at.local.ravel()])
        slope_at = jax.jit(jax.grad(log_density))  # differentiated twice it compiles for a minute
        slope, aside = np.asarray(slope_at(flat)), 1e-4 * np.eye(flat.size)
        hessian = np.stack([slope_at(flat - a) - slope_at(flat + a) for a in aside]) / 2e-4
        gradient, factor = assemble(at, hyper, design, sizes)
        step = solve(factor, gradient, sizes)
        log_det = float(log_determinant(factor))
    ours = np.concatenate([gradient.shared, gradient.local.ravel()])
    np.testing.assert_allclose(ours, slope, atol=1e-8)
    told = np.concatenate([step.shared, step.local.ravel()])
    np.testing.assert_allclose(hessian @ told, slope, atol=1e-5)
    assert log_det == pytest.approx(np.linalg.slogdet(hessian)[1])


def test_draws_moved_by_nothing_stay_where_they_are(study) -> None:
    """Coordinates go there and back, also away from the centre of the hyperparameters."""
    with double_precision():
        fit, design, sizes = _centred(study[0])
        frame = straight_frame(fit, design, sizes)
        rng = np.random.default_rng(1)
        hyper = frame.hyper + 0.4 * rng.normal(size=len(fit.hyper))
        known = Coefficients(*(part + rng.normal(size=part.shape) for part in fit.coefficients))
        straight = model_to_straight(known, hyper, frame, sizes)
        standard = (hyper - frame.hyper) / frame.hyper_sd
        there_hyper, there, _ = straight_to_model(Position(standard, *straight), frame, sizes)
    np.testing.assert_allclose(there_hyper, hyper)
    np.testing.assert_allclose(there.shared, known.shared, atol=1e-9)
    np.testing.assert_allclose(there.local, known.local, atol=1e-9)


@pytest.mark.slow
def test_sampling_and_laplace_agree_on_well_sampled_seasons(study, model) -> None:
    sampled = SeasonModel(method="sampled").fit(study[0])
    for quantity in ("arrival_day", "peak_day"):
        ours, theirs = (
            fitted.draws_[quantity].sel(role="passage").isel(site=0, season=slice(0, 3))
            for fitted in (model, sampled)
        )
        apart = np.abs(ours.mean("draw") - theirs.mean("draw")) / theirs.std("draw")
        ratio = ours.std("draw") / theirs.std("draw")
        assert float(apart.max()) < 0.5
        assert 0.7 < float(ratio.min()) < float(ratio.max()) < 1.4
