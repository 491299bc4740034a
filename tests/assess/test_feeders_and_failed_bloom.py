"""Feeders that hide a bloom failure, on seasons lived bird by bird: who carried the season.

The simulated season makes deposition from energy balance, not from the fitted model's equation.
"""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from phenology.assess.assessment import Assessment
from phenology.assess.comparison import compare_sites
from phenology.assess.condition import Condition
from phenology.assess.energy import assess_energy
from phenology.assess.support import assess_support
from phenology.estimates import Estimates
from phenology.groups import assign_groups
from phenology.models.simulated_season import SimulatedStudy, simulate
from phenology.models.simulated_season_world import Plan, make_world
from phenology.report.support_page import situation_of, what_carried
from phenology.seasons import season_labels, season_windows
from phenology.simulate.write import write_study
from phenology.sitedays import join_site_days
from phenology.study.study import open_study

pytestmark = pytest.mark.slow  # a minute of processor time: flowers and support are fitted
FAILED = (2034, 2037)
PLAN = Plan(first_day=180, last_day=262, every_days=2, traps=3, nets=2, hours=5, survey_every=7,
            capacity=200)  # fmt: skip


@pytest.fixture(scope="module")
def with_feeders(tmp_path_factory):
    """Flowers alone fatten passage birds in most seasons; feeders hang by chance."""
    world = make_world(4, 8, plan=PLAN, failed=FAILED, flower_scale=1.8)
    return _assess(world, tmp_path_factory.mktemp("failed") / "study")


def _assess(world, folder) -> tuple[SimulatedStudy, Assessment]:
    simulated = simulate(world, seed=1)
    write_study(simulated, folder)
    study = open_study(folder)
    groups = assign_groups(study.captures, study.options.group_by, 1)["group"]
    site_days = join_site_days(study, groups, 1)
    sampled = site_days["date"].to_numpy()[site_days["sampled"].any("site").to_numpy()]
    windows = season_windows(study.options.seasons, pd.DatetimeIndex(sampled))
    seasons = season_labels(study.captures["date"], windows)
    answers = Estimates()
    site_days = assess_energy(study, site_days, windows, answers, 1)
    told = assess_support(
        study, site_days, answers, groups=groups, seasons=seasons, windows=windows,
        condition=Condition(pd.DataFrame(), {}, pd.DataFrame()), seed=1,
    )  # fmt: skip
    compare_sites(told, answers)
    _count_captures(study, seasons, answers)
    return simulated, Assessment(
        study=study, site_days=site_days, estimates=answers.table(),
        captures=study.captures.assign(season=seasons), curves=pd.DataFrame(), draws={},
        diagnostics=pd.DataFrame(), narrowed=(), seed=1,
    )  # fmt: skip


def _count_captures(study, seasons, answers) -> None:
    """Captures of the passage species against the site's mean, sessions being alike each season."""
    rng = np.random.default_rng(1)
    of_one = study.captures[study.captures["species"] == "Selasphorus rufus"]
    counts = of_one.groupby(["site", seasons.loc[of_one.index]]).size()
    for (site, season), number in counts.items():
        ratio = rng.gamma(number, size=400) / counts[site].mean()
        answers.add("capture_index", ratio, birds=int(number), basis="measured", site=site,
                    season=season, group="Selasphorus rufus")  # fmt: skip


def _said(assessment: Assessment, season: int) -> dict[str, str]:
    """What the page says by site, had the study ended with that season."""
    told = assessment.estimates
    kept = told[(told["season"] <= str(season)) | (told["season"] == "")]
    lines = what_carried(replace(assessment, estimates=kept))
    return {line.split()[1]: line for line in lines if f"in {season}" in line}


def _true_gain(simulated: SimulatedStudy) -> pd.Series:
    """Mean gain of passage birds that stayed two days or more, by site and season."""
    stays = simulated.truth["stays"].query("role == 'passage' and stopover_days >= 2")
    return stays.groupby(["site", "season"])["fuel_deposition_g_per_day"].mean()


def test_feeders_that_kept_the_gain_up_through_failed_flowers_are_named(with_feeders) -> None:
    simulated, assessment = with_feeders
    gain = _true_gain(simulated)
    carried = {
        (site, season): said
        for season in FAILED
        for site, said in _said(assessment, season).items()
        if "feeders carried" in said
    }
    assert len(carried) >= 3
    for (site, season), said in carried.items():
        assert gain[site, season] > 0.15  # they did gain, and feeders did hang
        assert situation_of(assessment, site, str(season)).feeders_share > 0.5
        assert re.search(r"could feed about \d+ birds a day", said)  # the energy stands beside it


def test_where_flowers_fail_without_feeders_nothing_is_said_to_have_carried(with_feeders) -> None:
    simulated, assessment = with_feeders
    gain = _true_gain(simulated)
    fallen = [place for place in gain.index if place[1] in FAILED and gain[place] < -0.05]
    assert len(fallen) >= 3
    for site, season in fallen:
        assert "gained less than normal" in _said(assessment, season)[site]


def test_birds_that_fatten_on_flowers_alone_are_not_ascribed_to_feeders(with_feeders) -> None:
    _, assessment = with_feeders
    seen = 0
    for season in set(range(2031, 2039)) - set(FAILED):
        for site, said in _said(assessment, season).items():
            assert "feeders carried" not in said
            assert situation_of(assessment, site, str(season)).feeders_share < 0.25
            seen += "fattened well on natural flowers" in said
    assert seen >= 3
