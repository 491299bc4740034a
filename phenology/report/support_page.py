"""The manager's answers on support: how the season was, against whom, what carried and moves it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from phenology.quantities import AGAINST_NORMAL, ROLES, WITHIN
from phenology.report.carried_words import Situation, carried_sentence
from phenology.report.support_measures import PLAIN_DRIVERS
from phenology.report.support_words import (
    SUPPORTS,
    comparison_sentence,
    effect_sentence,
    sites_sentence,
)
from phenology.report.tables import is_one_season, role_of
from phenology.report.words import and_words, plain

if TYPE_CHECKING:
    from collections.abc import Hashable

    from phenology.assess.assessment import Assessment

    Row = dict[Hashable, Any]

SURE = 0.95  # chance from which a site is said to do better than another
MOST_PAIRS = 3  # of sites, a role
MOST_EFFECTS = 2  # a role
GAIN = "fuel_deposition_g_per_day"
BY_FEEDERS = "feeders"  # a definition of bird_days_fed


def against_others(chances: pd.DataFrame) -> list[str]:
    """Which sites surely do better than others, for each role; only outcomes that are support."""
    said = []
    for role in ROLES:
        if chances.empty:
            break
        judged = chances[(chances["role"] == role) & chances["outcome"].isin(SUPPORTS[role])]
        sure = judged[judged["chance_of_more"] >= SURE]
        most = sure.sort_values("chance_of_more", ascending=False, kind="stable").head(MOST_PAIRS)
        for (outcome, site), pairs in most.groupby(["outcome", "site"], sort=False):
            others, chance = list(pairs["other"].astype(str)), pairs["chance_of_more"].min()
            counted = pairs[["birds", "other_birds"]].iloc[0]
            said.append(
                comparison_sentence(outcome, role, site, others[0], chance, tuple(counted))
                if len(pairs) == 1
                else sites_sentence(outcome, role, site, others, chance)
            )
        if len(judged) and sure.empty:
            said.append(f"{role.capitalize()} birds: no site can be shown to do better.")
    return said


def what_carried(assessment: Assessment) -> list[str]:
    """What carried the passage birds of each site's newest season, where anything can be said."""
    estimates = assessment.estimates
    told = estimates[estimates["basis"] != "refused"]
    gains = told[
        (told["quantity"] == GAIN)
        & (told["definition"] == AGAINST_NORMAL)
        & (told["role"] == "passage")
        & is_one_season(told["season"])
    ]
    effects = told[
        (told["quantity"] == "effect")
        & (told["outcome"] == GAIN)
        & (told["role"] == "passage")
        & (told["definition"] == WITHIN)
    ]
    helps = [_first(effects[effects["driver"] == name]) for name in ("feeders", "feeders_x_bloom")]
    said = []
    for site, here in gains.groupby("site"):
        season = here["season"].max()
        situation = situation_of(assessment, str(site), str(season))
        gain = _first(here[here["season"] == season])
        if situation is not None:
            said.append(carried_sentence(str(site), str(season), situation, gain, *helps))
    return [line for line in said if line]


def situation_of(assessment: Assessment, site: str, season: str) -> Situation | None:
    """Flowers, feeders, captures and energy of a site's season; None without surveyed bloom."""
    told = assessment.estimates
    told = told[(told["site"] == site) & (told["season"] == season) & (told["basis"] != "refused")]
    whole = (told["definition"] == "") & (told["plant"] == "")  # the mean of the season's days
    bloom = told[(told["quantity"] == "bloom_index") & whole]
    if bloom.empty:
        return None
    caught = assessment.captures
    days = caught.loc[(caught["site"] == site) & (caught["season"] == season), "date"].unique()
    hung = float("nan")
    if "feeders_up" in assessment.site_days:
        hung = float(assessment.site_days["feeders_up"].sel(site=site, date=days).mean())
    index = told[(told["quantity"] == "capture_index") & (told["birds"] > 0)]
    options = assessment.study.options
    index = index[[role_of(group, site, options) == "passage" for group in index["group"]]]
    total = index["birds"].sum()
    captures_low = (index["low"] * index["birds"]).sum() / total if total else float("nan")
    fed = told[(told["quantity"] == "bird_days_fed") & (told["definition"] == BY_FEEDERS)]
    return Situation(
        float(bloom["low"].iloc[0]),
        float(bloom["high"].iloc[0]),
        hung,
        float(captures_low),
        float(fed["estimate"].iloc[0]) if len(fed) else float("nan"),
    )


def what_would_change(estimates: pd.DataFrame) -> list[str]:
    """The clearest effects on support within sites; for each role also what was not shown."""
    effects = estimates[(estimates["quantity"] == "effect") & (estimates["definition"] == WITHIN)]
    said = []
    for role in ROLES:
        rows = effects[(effects["role"] == role) & effects["outcome"].isin(SUPPORTS[role])]
        told = rows[rows["basis"].isin(["measured", "borrowed"])]
        clear = told[(told["low"] > 0) | (told["high"] < 0)]
        strength = clear["estimate"].abs() / (clear["high"] - clear["low"])
        most = clear.loc[strength.sort_values(ascending=False).index].head(MOST_EFFECTS)
        said += [effect_sentence(row) for row in most.to_dict("records")]
        open_ = [
            PLAIN_DRIVERS.get(driver, plain(driver, 60))
            for driver in told["driver"].unique()
            if driver not in set(clear["driver"])
        ]
        if open_:
            said.append(
                f"{role.capitalize()} birds: no effect of {and_words(open_, 'or')} can be shown."
            )
    return said


def _first(rows: pd.DataFrame) -> Row | None:
    return rows.to_dict("records")[0] if len(rows) else None
