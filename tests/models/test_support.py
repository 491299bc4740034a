"""Support: effects by role on studies whose truth is known, refusals, scenarios."""

import numpy as np
import pandas as pd
import pytest

from phenology.models.refusal import Refused
from phenology.models.support import SupportModel
from phenology.models.support_calibration import compare_with_truth, plain_differences
from phenology.models.support_design import build_design
from phenology.models.support_levels import chance_of_more, rank_draws, site_levels
from phenology.models.support_simulated import simulate_support

FEEDERS_HELP = {
    "local": {"bloom": -0.4, "feeders": 0.0},
    "passage": {"bloom": 0.0, "feeders": 0.5, "monsoon_onset": 0.3},
}


def _summary(model: SupportModel) -> pd.DataFrame:
    return model.summary_.set_index(["role", "driver", "definition"])


@pytest.fixture(scope="module")
def fitted():
    simulated = simulate_support(np.random.default_rng(11), effects=FEEDERS_HELP)
    return simulated, SupportModel().fit(simulated.birds, simulated.outcome, simulated.local)


def test_effects_of_both_roles_come_back(fitted) -> None:
    told = _summary(fitted[1])
    assert told.loc[("local", "bloom", "within-site"), "high"] < 0
    assert told.loc[("passage", "feeders", "within-site"), "low"] > 0
    assert told.loc[("passage", "monsoon_onset", "within-site"), "low"] > 0
    nothing = told.loc[[("local", "feeders", "within-site"), ("passage", "bloom", "within-site")]]
    assert (nothing["low"] < 0).all()
    assert (nothing["high"] > 0).all()


@pytest.mark.parametrize("placing", ["by_need", "by_quality"])
def test_feeders_placed_for_a_reason_do_not_pass_for_their_effect(placing: str) -> None:
    """At better sites or in poor bloom: the plain difference is wrong, the within-site one not."""
    errors, naive = [], []
    for seed in range(8):
        effects = {role: {"bloom": -0.5, "feeders": 0.0} for role in ("local", "passage")}
        simulated = simulate_support(
            np.random.default_rng(seed), feeders=placing, effects=effects, sites=6
        )
        naive += plain_differences(simulated)["estimate"].tolist()
        model = SupportModel(draws=100, seed=seed).fit(
            simulated.birds, simulated.outcome, simulated.local
        )
        told = _summary(model)
        errors += [told.loc[(role, "feeders", "within-site"), "estimate"] for role in model.roles_]
    assert abs(np.mean(errors)) < 0.1  # standard deviations of a bird
    assert abs(np.mean(naive)) > 0.2
    assert (np.mean(naive) > 0) == (placing == "by_quality")


def test_intervals_cover_on_a_few_studies() -> None:
    tables = [
        compare_with_truth(simulate_support(np.random.default_rng(seed), sites=5), "mean", seed)
        for seed in range(8)
    ]
    rows = pd.concat(tables)
    inside = (rows["low"] <= rows["truth"]) & (rows["truth"] <= rows["high"])
    assert 0.8 <= inside.mean() <= 1.0  # 64 intervals, binomial error .04
    told = rows[((rows["low"] > 0) | (rows["high"] < 0)) & (rows["truth"] != 0)]
    assert (np.sign(told["estimate"]) == np.sign(told["truth"])).mean() >= 0.95
    assert 0.7 < (rows["high"] - rows["low"]).mean() / rows["oracle_width"].mean() < 1.6


def test_feeders_that_never_vary_are_refused_and_their_scenario_is_extrapolated() -> None:
    simulated = simulate_support(
        np.random.default_rng(5), sites=4, seasons=6, feeders="never_varying"
    )
    model = SupportModel(draws=50).fit(simulated.birds, simulated.outcome, simulated.local)
    told = _summary(model)
    refused = told.loc[("local", "feeders", "within-site")]
    assert "always there" in refused["refused"]
    assert np.isnan(refused["estimate"])
    assert told.loc[("local", "feeders_x_bloom", "within-site"), "refused"]
    scenario = model.scenario({"feeders": 0.0})
    assert scenario["extrapolated"].all()
    assert "always there" in str(scenario["reason"].sel(role="local").item())
    # what is not known is wide: at least the prior's half a standard deviation either way
    assert (scenario["difference"].std("draw") > 0.3).all()


def test_sites_that_never_switch_leave_only_the_contrast_between_sites() -> None:
    simulated = simulate_support(np.random.default_rng(6), effects=FEEDERS_HELP)
    birds = simulated.birds.assign(
        feeders=simulated.birds["site"].isin(["site1", "site2", "site3"]).astype(float)
    )
    model = SupportModel(draws=50).fit(birds, simulated.outcome, simulated.local)
    told = _summary(model)
    assert "sites alone differ" in told.loc[("passage", "feeders", "within-site"), "refused"]
    between = told.loc[("passage", "feeders", "between-site")]
    assert "no statement about its cause" in between["note"]


def test_two_sites_that_switch_carry_a_warning() -> None:
    simulated = simulate_support(np.random.default_rng(7), effects=FEEDERS_HELP)
    always = ~simulated.birds["site"].isin(["site1", "site2"])
    birds = simulated.birds.assign(feeders=simulated.birds["feeders"].mask(always, 1.0))
    model = SupportModel(draws=50).fit(birds, simulated.outcome, simulated.local)
    note = _summary(model).loc[("local", "feeders", "within-site"), "note"]
    assert note == "rests on 2 sites that had both"


def test_drivers_beyond_one_in_eight_seasons_are_shrunk_and_named() -> None:
    simulated = simulate_support(np.random.default_rng(8), sites=3, seasons=17)
    design = build_design(simulated.birds, np.ones(len(simulated.birds)))
    shrunk = [name for name, side in design.notes if side == "within-site"]
    assert shrunk == ["monsoon_onset", "feeders_x_bloom"]  # two wide, in the declared order


def test_ports_are_told_apart_from_feeders_and_mean_nothing_while_none_hang() -> None:
    rng = np.random.default_rng(21)
    simulated = simulate_support(rng, effects=FEEDERS_HELP)
    birds = simulated.birds
    place = birds.groupby(["site", "season"]).ngroup().to_numpy()
    doublings = rng.integers(2, 6, place.max() + 1)[place].astype(float)
    up = birds["feeders"].to_numpy() > 0.5
    outcome = simulated.outcome + np.where(up, 0.3 * (doublings - 3.5), 0.0)
    birds = birds.assign(feeder_ports=np.where(up, doublings, np.nan))
    model = SupportModel().fit(birds, outcome, simulated.local)
    told = _summary(model)
    for role in ("local", "passage"):
        of_ports = told.loc[(role, "feeder_ports", "within-site")]
        assert of_ports["low"] < 0.3 < of_ports["high"]
        assert of_ports["low"] > 0
    feeders = told.loc[("passage", "feeders", "within-site")]
    assert feeders["low"] < 0.5 < feeders["high"]
    any_number = birds.assign(feeder_ports=np.where(up, doublings, 9.0))  # none hang: unread
    again = _summary(SupportModel().fit(any_number, outcome, simulated.local))
    pd.testing.assert_frame_equal(told, again)
    without = model.scenario({"feeders": 0.0})["changed"]
    usual = SupportModel().fit(
        birds.assign(feeder_ports=np.where(up, doublings, np.nan) + 5.0), outcome, simulated.local
    )
    np.testing.assert_allclose(  # draws are weighted anew: alike but for their noise
        usual.scenario({"feeders": 0.0})["changed"].mean("draw"), without.mean("draw"), atol=0.01
    )
    alike = birds.assign(feeder_ports=np.where(up, 4.0, np.nan))
    told = _summary(SupportModel(draws=40).fit(alike, outcome, simulated.local))
    assert told.loc[("local", "feeder_ports", "within-site"), "refused"]
    assert told.loc[("local", "feeder_ports", "between-site"), "refused"]


def test_bloom_unknown_for_one_role_alone_refuses_what_needs_it_for_that_role() -> None:
    simulated = simulate_support(np.random.default_rng(25), sites=4, seasons=4)
    birds = simulated.birds.assign(bloom=simulated.birds["bloom"].mask(~simulated.local))
    told = _summary(SupportModel(draws=40).fit(birds, simulated.outcome, simulated.local))
    for driver in ("bloom", "feeders_x_bloom"):
        assert told.loc[("passage", driver, "within-site"), "refused"]
        assert not told.loc[("local", driver, "within-site"), "refused"]


def test_ports_without_a_feeder_are_refused() -> None:
    simulated = simulate_support(np.random.default_rng(22), sites=4, seasons=4)
    birds = simulated.birds.assign(feeders=0.0, feeder_ports=4.0)
    told = _summary(SupportModel(draws=40).fit(birds, simulated.outcome, simulated.local))
    refused = told.loc[("local", "feeder_ports", "within-site"), "refused"]
    assert refused == "no bird was caught while feeders hung"


def test_habitat_is_a_contrast_between_sites_with_their_number_and_too_few_are_refused() -> None:
    for sites in (3, 12):
        simulated = simulate_support(np.random.default_rng(23), sites=sites, seasons=6)
        share = np.linspace(0.0, 0.6, sites)
        number = simulated.birds["site"].str.removeprefix("site").astype(int).to_numpy() - 1
        birds = simulated.birds.assign(habitat=share[number])
        outcome = simulated.outcome + 0.5 * share[number] / 0.1  # half a deviation a tenth
        model = SupportModel().fit(birds, outcome, simulated.local)
        told = _summary(model)
        within = told.loc[("local", "habitat", "within-site"), "refused"]
        assert within == "it belongs to the site: only sites can be compared"
        between = told.loc[("local", "habitat", "between-site")]
        if sites == 3:
            assert between["refused"] == "3 sites with birds enough, 4 needed"
        else:
            assert between["low"] < 0.5 < between["high"]
            assert between["low"] > 0
            assert "between 12 sites" in between["note"]
            assert "no statement about its cause" in between["note"]
        with pytest.raises(ValueError, match="no such drivers"):
            model.scenario({"habitat": 0.5})


def test_contrasts_beyond_one_in_four_sites_are_shrunk_and_named() -> None:
    simulated = simulate_support(np.random.default_rng(24), sites=8, seasons=4)
    design = build_design(simulated.birds, np.ones(len(simulated.birds)))
    shrunk = [
        name for (name, side), note in design.notes.items()
        if side == "between-site" and "do not carry more contrasts" in note
    ]  # fmt: skip
    assert set(shrunk) <= {"monsoon_onset", "feeders_x_bloom"}
    assert shrunk


def test_a_scenario_equals_its_closed_form_on_a_linear_case(fitted) -> None:
    simulated, model = fitted
    without = model.scenario({"feeders": 0.0})
    for role, fit in model.roles_.items():
        birds = simulated.birds.iloc[fit.rows]
        up, bloom = birds["feeders"].to_numpy(), birds["bloom"].to_numpy()
        slope = fit.coefficients[:, fit.design.within["feeders"]]
        by_bloom = fit.coefficients[:, fit.design.within["feeders_x_bloom"]]
        expected = -slope * up.mean() - by_bloom * (up * bloom).mean()
        np.testing.assert_allclose(without["difference"].sel(role=role), expected, atol=1e-10)
    assert not without["extrapolated"].any()


def test_a_scenario_of_nothing_changes_nothing_and_keeps_to_the_birds_asked_for(fitted) -> None:
    simulated, model = fitted
    same = model.scenario({"bloom": simulated.birds["bloom"]})
    assert float(np.abs(same["difference"]).max()) < 1e-12
    chosen = (simulated.birds["season"] == 2033).to_numpy()
    told = model.scenario({"bloom": simulated.birds["bloom"] - np.log(2)}, among=chosen)
    assert int(told["birds"].sum()) == chosen.sum()
    halved = model.effects_["effect"].sel(driver="bloom", definition="within-site")
    interaction = model.effects_["effect"].sel(driver="feeders_x_bloom", definition="within-site")
    up = [simulated.birds["feeders"][chosen & (simulated.local == is_local)].mean()
          for is_local in (True, False)]  # fmt: skip
    centre = [model.roles_[role].design.feeder_share for role in ("local", "passage")]
    expected = halved + interaction * (np.array(up) - np.array(centre))
    np.testing.assert_allclose(told["difference"].transpose("draw", "role"), expected, atol=1e-10)
    with pytest.raises(ValueError, match="no such drivers"):
        model.scenario({"habitat": 0.5})


def test_a_later_monsoon_than_ever_seen_is_extrapolated(fitted) -> None:
    simulated, model = fitted
    later = model.scenario({"monsoon_onset": simulated.birds["monsoon_onset"] + 60})
    assert later["extrapolated"].all()
    assert "never seen so" in str(later["reason"].values[0])


def test_draws_of_outcomes_are_used_one_by_one() -> None:
    simulated = simulate_support(np.random.default_rng(9), sites=4, seasons=8)
    shift = np.linspace(-3, 3, 80)
    outcome = simulated.outcome + shift[:, None]
    model = SupportModel().fit(simulated.birds, outcome, simulated.local)
    actual = model.scenario({"bloom": 0.0})["actual"].sel(role="local")
    assert np.corrcoef(actual, shift)[0, 1] > 0.99


def test_birds_of_uncertain_role_widen_an_effect_and_do_not_shrink_it() -> None:
    """Effects of the roles are opposite: mixing roles up would pull both to nothing."""
    effects = {"local": {"bloom": -0.6}, "passage": {"bloom": 0.6}}
    told: dict[str, list[pd.Series]] = {"sure": [], "chances": [], "split": []}
    for seed in range(4):
        simulated = simulate_support(
            np.random.default_rng(seed), sites=5, seasons=9, effects=effects, roles_known=0.2
        )
        for how, local in (
            ("sure", simulated.local),
            ("chances", simulated.p_local),
            ("split", simulated.p_local > 0.5),
        ):
            model = SupportModel(draws=1000).fit(simulated.birds, simulated.outcome, local)
            told[how].append(_summary(model).loc[("local", "bloom", "within-site")])
    middle = {how: np.mean([row["estimate"] for row in rows]) for how, rows in told.items()}
    width = {how: np.mean([row["high"] - row["low"] for row in rows]) for how, rows in told.items()}
    assert middle["chances"] == pytest.approx(-0.6, abs=0.08)
    assert middle["split"] > -0.5
    assert width["chances"] > 1.1 * width["sure"]


def test_draws_of_roles_count_by_their_mean_and_a_thin_role_takes_the_likelier() -> None:
    simulated = simulate_support(np.random.default_rng(9), sites=4, seasons=8, roles_known=0.6)
    rng = np.random.default_rng(1)
    local = rng.random((300, len(simulated.birds))) < simulated.p_local
    birds = [
        SupportModel(draws=40).fit(simulated.birds, simulated.outcome, one).roles_["local"].birds
        for one in (local, simulated.p_local)
    ]
    assert birds[0] == pytest.approx(birds[1], abs=5)
    mostly = np.where(np.arange(len(simulated.birds)) < 20, 0.4, 1.0)
    model = SupportModel(draws=40).fit(simulated.birds, simulated.outcome, mostly)
    assert list(model.roles_) == ["local"]
    assert model.roles_["local"].birds == len(simulated.birds) - 20
    assert "30 needed" in model.refused_["passage"]


def test_bloom_known_in_part_keeps_its_slope() -> None:
    """Regression on the estimate of bloom is unbiased; on draws of it, it would shrink."""
    effects = {role: {"bloom": -0.5} for role in ("local", "passage")}
    estimates, of_draws = [], []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        simulated = simulate_support(rng, sites=6, effects=effects, bloom_reliability=0.5)
        site_season = simulated.birds.groupby(["site", "season"]).ngroup().to_numpy()
        spread = simulated.birds["bloom"].std()
        drawn = simulated.birds["bloom"] + rng.normal(0, spread, site_season.max() + 1)[site_season]
        for birds, kept in (
            (simulated.birds, estimates),
            (simulated.birds.assign(bloom=drawn), of_draws),
        ):
            model = SupportModel(draws=60).fit(birds, simulated.outcome, simulated.local)
            bloom = model.effects_["effect"].sel(driver="bloom", definition="within-site")
            kept.append(float(bloom.mean()))
    assert np.mean(estimates) == pytest.approx(-0.5, abs=0.1)
    assert np.mean(of_draws) > -0.4


def test_shares_come_back_on_their_own_scale() -> None:
    effects = {"local": {"bloom": -0.5}, "passage": {"feeders": 0.5}}
    simulated = simulate_support(
        np.random.default_rng(12), kind="share", effects=effects, sites=6, seasons=8
    )
    rows = compare_with_truth(simulated, "share", 12).set_index("quantity")
    assert rows.loc["bloom local", "high"] < 0
    assert rows.loc["feeders passage", "low"] > 0
    close = (rows["estimate"] - rows["truth"]).abs()
    assert (close < 0.08).all()  # shares of birds


def test_birds_without_an_unknown_driver_stay_in() -> None:
    simulated = simulate_support(np.random.default_rng(13), sites=4, seasons=8)
    hidden = simulated.birds["season"] == 2032
    birds = simulated.birds.assign(bloom=simulated.birds["bloom"].mask(hidden))
    model = SupportModel(draws=50).fit(birds, simulated.outcome, simulated.local)
    assert model.summary_["birds"].groupby(model.summary_["role"]).first().sum() == len(birds)
    mostly = birds.assign(bloom=birds["bloom"].mask(birds["season"] > 2034))
    told = _summary(SupportModel(draws=50).fit(mostly, simulated.outcome, simulated.local))
    assert "known for only" in told.loc[("local", "bloom", "within-site"), "refused"]


def test_too_few_birds_are_refused_by_role_and_altogether() -> None:
    simulated = simulate_support(np.random.default_rng(14), sites=3, seasons=4)
    few = simulated.local & (np.cumsum(simulated.local) > 12)
    model = SupportModel(draws=40).fit(
        simulated.birds[~few], simulated.outcome[~few], simulated.local[~few]
    )
    assert list(model.roles_) == ["passage"]
    assert model.refused_["local"] == "12 birds, 30 needed"
    with pytest.raises(Refused, match="30 needed"):
        SupportModel().fit(simulated.birds[:20], simulated.outcome[:20], simulated.local[:20])
    with pytest.raises(Refused, match="of either needed"):
        SupportModel("share").fit(simulated.birds, np.ones(len(simulated.birds)), simulated.local)
    with pytest.raises(ValueError, match="last dimension"):
        SupportModel().fit(simulated.birds, simulated.outcome[:-1], simulated.local)


def test_levels_of_sites_come_back_and_three_birds_do_not_win() -> None:
    simulated = simulate_support(np.random.default_rng(31), sites=7, seasons=6, birds_a_season=40)
    birds, local = simulated.birds, np.ones(len(simulated.birds), dtype=bool)
    shift = birds["site"].map({f"site{number}": 0.4 * number for number in range(1, 8)})
    early = (birds["site"] == "site6") & (birds["day"] < 230)  # one site sampled late only
    few = (birds["site"] == "site7") & (birds.groupby("site").cumcount() >= 3)
    kept = ~(early | few)
    rng = np.random.default_rng(1)
    outcome = shift + 0.02 * (birds["day"] - 225) + rng.normal(0, 1, len(birds))
    last = birds["site"] == "site7"
    outcome[last & kept] = outcome[last & kept] - outcome[last & kept].mean() + 3.2
    model = SupportModel(roles=("local",)).fit(
        birds[kept][["site", "season", "day", "group"]], outcome[kept], local[kept]
    )
    told = site_levels(model, "local")
    assert told["birds"].values.tolist()[-1] == 3
    middle = told["level"].median("draw").values
    wide = (told["level"].quantile(0.95, "draw") - told["level"].quantile(0.05, "draw")).values
    np.testing.assert_allclose(np.diff(middle[:6]), 0.4, atol=0.3)  # late days do not lift site6
    assert wide[-1] > 2 * wide[:6].max()
    chance = chance_of_more(told["level"])
    assert float(chance.sel(site="site5", other="site1")) > 0.95
    np.testing.assert_allclose(chance + chance.T.values, 1.0, atol=1e-12)
    # their mean is the highest of all, and yet they are not placed first with certainty
    assert float(chance.sel(site="site7", other="site6")) < 0.9
    ranks = rank_draws(told["level"]).sel(site="site7")
    assert float(ranks.quantile(0.95)) > 1
    season = told["season_difference"].sel(site="site7")
    unseen = told["season_birds"].sel(site="site7") == 0
    assert (np.isnan(season.isel(draw=0)) == unseen).all()
