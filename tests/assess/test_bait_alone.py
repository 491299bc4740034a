"""Studies in which bait alone lifts captures while flowers fail and gains fall: no rescue is told.

Gain follows flowers and nothing else; feeders hang by chance, everywhere in the failed season, and
twice the birds are caught at bait then: birds come to feeders more when natural bloom is poor
(McCaffrey & Wethington 2008, as quoted, for the sign).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenology.assess.assessment import Assessment
from phenology.assess.comparison import compare_sites
from phenology.assess.condition import Condition
from phenology.assess.support import assess_support
from phenology.estimates import Estimates
from phenology.report.support_page import what_carried, what_would_change
from phenology.seasons import Window, season_labels
from phenology.study.options import parse_options
from phenology.study.study import Study

WINDOWS = (Window("", 150, 290),)
SPECIES = "Selasphorus rufus"
SITES, SEASONS, FAILED = ("fork", "ridge", "seep", "weir"), range(2031, 2039), (2034, 2038)
FAILED_BLOOM, PER_BLOOM, SPREAD = -1.2, 0.09, 0.07  # index, g a day, g a day between birds


def _caught_at_bait(seed: int) -> pd.DataFrame:
    """First and second captures of stays of three days, with bloom and feeders beside them."""
    rng = np.random.default_rng(seed)
    rows = []
    for site in SITES:
        for season in SEASONS:
            failed = season in FAILED
            bloom = FAILED_BLOOM if failed else rng.normal(0, 0.2)
            hung = float(failed or rng.random() < 0.5)
            birds = rng.poisson(50 if failed else 25)
            day = rng.integers(195, 260, birds)
            gain = 0.12 + PER_BLOOM * bloom + rng.normal(0, SPREAD, birds)
            first = rng.normal(3.4, 0.2, birds)
            for number in range(birds):
                band = f"TEST-{site}-{season}-{number}"
                for after in (0, 3):
                    date = pd.Timestamp(season, 1, 1) + pd.Timedelta(days=int(day[number]) + after)
                    rows.append(
                        (site, date, band, first[number] + after * gain[number], bloom, hung)
                    )
    table = pd.DataFrame(rows, columns=["site", "date", "band", "mass_g", "bloom", "feeders"])
    return table.assign(date=table["date"].astype("datetime64[s]"))


def _assess(seed: int) -> Assessment:
    table = _caught_at_bait(seed)
    captures = table.drop(columns=["bloom", "feeders"]).assign(
        time=7.0, species=SPECIES, age="adult", sex="female", pollen=pd.Series(dtype="object"),
        gravid=pd.array([pd.NA] * len(table), dtype="boolean"),
        **dict.fromkeys(("breeding", "body_moult", "flight_moult")),
    )  # fmt: skip
    options = parse_options({"name": "Bait alone", "species": {SPECIES: "passage"}})
    study = Study(
        folder=Path("invented"), options=options, sheets={"captures": captures},
        findings=pd.DataFrame(), set_aside=pd.DataFrame(), rows={}, fat_levels=("0", "1"),
        inputs={},
    )  # fmt: skip
    days = table.groupby(["site", "date"])[["bloom", "feeders"]].first().to_xarray()
    site_days = days.rename(bloom="bloom_index", feeders="feeders_up")
    site_days["season_surveyed"] = site_days["bloom_index"].notnull()
    hours = np.ones((*site_days["bloom_index"].shape, 3)) * [4.0, 0.0, 0.0]
    site_days["effort_hours"] = (("site", "date", "bait"), hours)
    site_days = site_days.assign_coords(bait=["baited", "unbaited", "either"])
    seasons = season_labels(captures["date"], WINDOWS)
    answers = Estimates()
    told = assess_support(
        study, site_days, answers, groups=captures["species"], seasons=seasons, windows=WINDOWS,
        condition=Condition(pd.DataFrame(), {}, pd.DataFrame()), seed=seed,
    )  # fmt: skip
    compare_sites(told, answers)
    _tell_bloom_and_captures(table.assign(season=seasons), answers, seed)
    return Assessment(
        study=study, site_days=site_days, estimates=answers.table(),
        captures=captures.assign(season=seasons), curves=pd.DataFrame(), draws={},
        diagnostics=pd.DataFrame(), narrowed=(), seed=seed,
    )  # fmt: skip


def _tell_bloom_and_captures(table: pd.DataFrame, answers: Estimates, seed: int) -> None:
    rng = np.random.default_rng(seed)
    birds = table.groupby(["site", "season"])["band"].nunique()
    bloom = table.groupby(["site", "season"])["bloom"].mean()
    for (site, season), number in birds.items():
        place = {"site": site, "season": season}
        index = rng.normal(bloom[site, season], 0.1, 400)
        answers.add("bloom_index", index, basis="measured", birds=0, **place)
        caught = rng.gamma(number, size=400) / birds[site].median()
        answers.add("capture_index", caught, birds=int(number), basis="measured", group=SPECIES,
                    **place)  # fmt: skip


@pytest.mark.parametrize("seed", range(1, 6))
def test_more_birds_at_bait_in_failed_flowers_are_not_said_to_be_carried_by_feeders(seed) -> None:
    assessment = _assess(seed)
    told = what_carried(assessment)
    assert len(told) == len(SITES)
    assert not any("feeders carried" in line or "fattened" in line for line in told)
    # at two sites or more the fall is plain enough to warn of the captures
    assert sum("more captures at bait are no sign of support" in line for line in told) >= 2
    change = what_would_change(assessment.estimates)
    assert any("half the flowers: daily gain falls" in line for line in change)
