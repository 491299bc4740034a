"""Sentences on support: estimates in, words out; none claims more than its interval."""

import re

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phenology.quantities import AGAINST_NORMAL, AT_EQUAL
from phenology.report.carried_words import Situation, carried_sentence
from phenology.report.content import Words
from phenology.report.rooms import verdicts, verdicts_in_short
from phenology.report.support_section import support_section
from phenology.report.support_words import (
    SUPPORTS,
    advice,
    comparison_sentence,
    effect_sentence,
    verdict_sentence,
)


def _effect(outcome, driver, role, low, middle, high, **other):
    row = {"quantity": "effect", "outcome": outcome, "driver": driver, "role": role,
           "definition": "within-site", "low": low, "estimate": middle, "high": high,
           "basis": "measured", "birds": 240, "note": ""}  # fmt: skip
    return row | other


def _season(quantity, low, middle, high, **other):
    row = {"quantity": quantity, "definition": AGAINST_NORMAL, "low": low, "estimate": middle,
           "high": high, "basis": "measured", "birds": 60, "note": ""}  # fmt: skip
    return row | other


GAIN = "fuel_deposition_g_per_day"
POOR, FINE, VAGUE = (-1.2, -0.6), (-0.2, 0.3), (-0.6, 0.1)
HELD, FELL, ROSE, WIDE = (
    _season(GAIN, low, (low + high) / 2, high)
    for low, high in ((-0.015, 0.03), (-0.08, -0.02), (0.01, 0.05), (-0.09, 0.04))
)
HELP = _effect(GAIN, "feeders", "passage", 0.01, 0.04, 0.07)
NO_HELP = _effect(GAIN, "feeders", "passage", -0.02, 0.01, 0.05)
RELIEF = _effect(GAIN, "feeders_x_bloom", "passage", 0.01, 0.05, 0.09)
NEVER = _effect(GAIN, "feeders", "passage", 0, 0, 0, basis="refused",
                note="feeders were always there")  # fmt: skip


def _carried(bloom, feeders_share, gain, feeders, by_bloom=None, **more):
    situation = Situation(*bloom, feeders_share, **more)
    return carried_sentence("fork", "2031", situation, gain, feeders, by_bloom)


CASES = [
    # effects: a side is named only where the whole interval lies on it
    (effect_sentence(_effect("lean_condition", "bloom", "local", -0.04, -0.026, -0.01)),
     "Local birds, half the flowers: mass for size falls by 3 % (1 to 4; 240 birds)."),
    (effect_sentence(_effect(GAIN, "feeders", "passage", 0.01, 0.04, 0.07)),
     "Passage birds, feeders up, against none: daily gain rises by 0.04 g a day "
     "(0.01 to 0.07; 240 birds)."),
    (effect_sentence(_effect("lean_condition", "feeders", "local", -0.03, 0.005, 0.04)),
     "Local birds, feeders up, against none: no difference to mass for size can be shown "
     "(between -3 and 4 %; 240 birds)."),
    (effect_sentence(_effect("lean_condition", "feeders", "local", -0.004, 0.001, 0.006)),
     "Local birds, feeders up, against none: little difference to mass for size "
     "(between -0.4 and 0.6 %; 240 birds)."),
    (effect_sentence(_effect("young_per_adult", "monsoon_onset", "local", -0.12, -0.07, -0.03)),
     "Local birds, a monsoon 7 days later: share of young falls by 7 in 100 birds "
     "(3 to 12; 240 birds)."),
    (effect_sentence(_effect("pollen_share", "monsoon_strength", "passage", 0.02, 0.04, 0.07)),
     "Passage birds, a monsoon as wet as one year in six: share with pollen rises by 4 in "
     "100 birds (2 to 7; 240 birds)."),
    (effect_sentence(_effect(GAIN, "monsoon_onset", "passage", -0.05, -0.03, -0.01,
                             definition="within-site, through flowers")),
     "Passage birds, a monsoon 7 days later, through flowers alone: daily gain falls by 0.03 g a "
     "day (0.01 to 0.05; 240 birds)."),
    (effect_sentence(_effect(GAIN, "bloom", "passage", -0.09, -0.05, -0.01,
                             definition="between-site")),
     "Passage birds, sites with half the flowers against sites without: daily gain is lower by "
     "0.05 g a day (0.01 to 0.09; 240 birds). Sites differ in more than this, so it need not be "
     "the cause."),
    (effect_sentence(_effect(GAIN, "feeders", "passage", 0.01, 0.04, 0.07,
                             note="rests on 2 sites that had both; from birds that stayed")),
     "Passage birds, feeders up, against none: daily gain rises by 0.04 g a day (0.01 to 0.07; "
     "240 birds). It rests on 2 sites that had both."),
    (effect_sentence(_effect(GAIN, "events", "local", 0.01, 0.04, 0.07, basis="assumed")),
     "Local birds, the year after a fire or flood: daily gain rises by 0.04 g a day (0.01 to "
     "0.07; 240 birds). This rests more on assumptions than on birds."),
    (effect_sentence(NEVER),
     "Passage birds: whether feeders change daily gain cannot be told: feeders were always "
     "there."),
    (effect_sentence(_effect("return_rate", "bloom", "local", 0, 0, 0, basis="refused",
                             note="12 birds, 30 needed")),
     "Local birds: whether flowers change share caught again in a later season cannot be told: "
     "12 birds, 30 needed."),
    (effect_sentence(_effect("fuel_load", "feeders_x_bloom", "passage", 0.03, 0.05, 0.07)),
     "Passage birds, what feeders add each time flowers halve: fuel at first capture rises by 5 % "
     "of lean mass (3 to 7; 240 birds)."),
    # verdicts: only what counts as support moves them
    (verdict_sentence("fork", "2031", "passage", [_season(GAIN, 0.01, 0.03, 0.05)]),
     "Passage birds at fork in 2031: better than this site's normal: daily gain +0.03 g a day "
     "(+0.01 to +0.05)."),
    (verdict_sentence("fork", "2031", "passage", [_season(GAIN, -0.05, -0.03, -0.01)]),
     "Passage birds at fork in 2031: worse than this site's normal: daily gain -0.03 g a day "
     "(-0.05 to -0.01)."),
    (verdict_sentence("fork", "2031", "passage", [_season(GAIN, -0.02, 0.01, 0.04)]),
     "Passage birds at fork in 2031: no difference from this site's normal can be shown: daily "
     "gain +0.01 g a day (-0.02 to +0.04)."),
    (verdict_sentence("fork", "2031", "local", [_season("lean_condition", 0.01, 0.02, 0.03),
                                                _season("young_per_adult", -0.2, -0.1, -0.03)]),
     "Local birds at fork in 2031: mixed. Better: mass for size +2 % (+1 to +3). Worse: "
     "share of young -10 in 100 birds (-20 to -3)."),
    (verdict_sentence("fork", "2031", "local", [_season("fuel_load", -0.2, -0.15, -0.1)]),
     "Local birds at fork in 2031: not told, for lack of birds weighed, aged or caught again."),
    (verdict_sentence("fork", "2031", "passage", [_season("stopover_days", 3, 5, 8)]),
     "Passage birds at fork in 2031: not told, for lack of birds weighed twice."),
    (verdict_sentence("fork", "2031", "passage", [_season(GAIN, 0.01, 0.03, 0.05,
                                                          basis="extrapolated")]),
     "Passage birds at fork in 2031: not told, for lack of birds weighed twice."),
    # what carried the season
    (_carried(POOR, 0.9, HELD, HELP, bird_days_fed=140.0),
     "At fork in 2031 flowers failed and feeders carried the passage birds: they gained about as "
     "much as normal, and feeders help where both were seen. They could feed about 140 birds a "
     "day."),
    (_carried(POOR, 0.9, HELD, NO_HELP, RELIEF),
     "At fork in 2031 flowers failed and feeders carried the passage birds: they gained about as "
     "much as normal, and feeders help where both were seen."),
    (_carried(POOR, 0.9, HELD, NO_HELP),
     "At fork in 2031 flowers failed, yet passage birds gained about as much as normal, with "
     "feeders up; that the feeders did it cannot be shown."),
    (_carried(POOR, 0.9, HELD, NEVER),
     "At fork in 2031 flowers failed, yet passage birds gained about as much as normal, with "
     "feeders up; that the feeders did it cannot be shown."),
    (_carried(POOR, 0.9, FELL, HELP, captures_low=1.4),
     "At fork in 2031 flowers failed and passage birds gained less than normal; more captures at "
     "bait are no sign of support."),
    (_carried(POOR, 0.9, FELL, HELP),
     "At fork in 2031 flowers failed and passage birds gained less than normal."),
    (_carried(POOR, 0.9, WIDE, HELP),
     "At fork in 2031 flowers failed; whether passage birds still gained cannot be told."),
    (_carried(POOR, 0.0, HELD, HELP),
     "At fork in 2031 flowers failed, yet passage birds gained about as much as normal, with few "
     "feeders up."),
    (_carried(POOR, float("nan"), HELD, HELP),
     "At fork in 2031 flowers failed, yet passage birds gained about as much as normal; whether "
     "feeders hung was not noted."),
    (_carried(FINE, 0.4, ROSE, HELP), ""),
    (_carried(FINE, float("nan"), ROSE, HELP), ""),
    (_carried(FINE, 0.0, ROSE, HELP),
     "At fork in 2031 passage birds fattened well on natural flowers."),
    (_carried(FINE, 0.9, HELD, HELP), ""),
    (_carried(VAGUE, 0.9, HELD, HELP), ""),
    (_carried(POOR, 0.9, None, HELP), ""),
    # sites side by side
    (comparison_sentence(GAIN, "passage", "fork", "ridge", 0.03, (40, 90)),
     "Passage birds: daily gain is higher at ridge than at fork (97 chances in 100; 90, 40 "
     "birds)."),
    (comparison_sentence(GAIN, "passage", "fork", "ridge", 0.85, (40, 90)),
     "Passage birds: daily gain is perhaps higher at fork than at ridge (85 chances in 100; 40, "
     "90 birds)."),
    (comparison_sentence(GAIN, "passage", "fork", "ridge", 0.6, (3, 90)),
     "Passage birds: daily gain: fork and ridge cannot be told apart (60 chances in 100; 3, 90 "
     "birds)."),
]  # fmt: skip


@pytest.mark.parametrize(("said", "expected"), CASES, ids=range(len(CASES)))
def test_the_words_of_each_case(said: str, expected: str) -> None:
    assert said == expected


bounds = st.tuples(*[st.floats(-1, 1).filter(lambda x: abs(x) > 1e-3)] * 2).map(sorted).filter(
    lambda pair: pair[1] - pair[0] > 1e-3
)  # fmt: skip


@given(bounds, st.sampled_from(sorted({*SUPPORTS["local"], *SUPPORTS["passage"], "fuel_load"})),
       st.sampled_from(["bloom", "feeders", "monsoon_onset"]))  # fmt: skip
def test_no_sentence_names_a_side_that_the_interval_leaves_open(pair, outcome, driver) -> None:
    low, high = pair
    said = effect_sentence(_effect(outcome, driver, "local", low, (low + high) / 2, high))
    open_side = low <= 0 <= high
    assert bool(re.search(r"\b(rises|falls) by", said)) == (not open_side)
    assert ("rises" in said) == (low > 0)
    assert ("falls" in said) == (high < 0)


@given(st.floats(-0.5, -0.01),
       st.sampled_from(["fuel_load", "stopover_days", "pollen_share", "moult_share",
                        "breeding_share"]),
       st.sampled_from([1, -1]), st.sampled_from(["local", "passage"]))  # fmt: skip
def test_what_is_no_support_never_moves_a_verdict(size, quantity, sign, role) -> None:
    """Little fat in breeding locals never lowers it, a long stopover never raises it."""
    low, high = sorted((sign * size, sign * size / 2))
    stray = _season(quantity, low, (low + high) / 2, high)
    counted = _season(SUPPORTS[role][0], -0.02, 0.0, 0.02)
    assert verdict_sentence("fork", "2031", role, [counted, stray]) == verdict_sentence(
        "fork", "2031", role, [counted]
    )


def test_the_first_page_tells_of_few_sites_and_counts_the_others() -> None:
    alike, worse = _season(GAIN, -0.02, 0.01, 0.04), _season(GAIN, -0.05, -0.03, -0.01)
    sites = [f"site {number}" for number in range(60)]
    compared = pd.DataFrame(
        [
            (worse if number < 20 else alike) | {"site": site, "season": "2031", "role": "passage"}
            for number, site in enumerate(sites)
        ]
    )
    said = verdicts_in_short(compared, sites[:6])
    assert len(said) == 8
    assert all(f"at site {number} in 2031" in said[number] for number in range(6))
    assert said[6].startswith("14 further sites")
    assert said[7] == "Passage birds at 40 sites in 2031: no difference from normal can be shown."
    every = verdicts(compared, sites[:6])
    assert len(every) == 7
    assert every[-1].startswith("54 further sites")
    few = verdicts_in_short(compared[compared["site"].isin(sites[18:22])], sites[:6])
    assert few[0].startswith("2 further sites")
    assert few[1].startswith("Passage birds at site 20 and site 21 in 2031: no difference")


def test_the_section_tells_local_levels_and_what_is_refused() -> None:
    level = {"quantity": "fuel_after_breeding", "definition": AT_EQUAL, "role": "local",
             "site": "fork", "estimate": 0.12, "low": 0.10, "high": 0.14,
             "unit": "share of lean mass", "basis": "measured", "birds": 85}  # fmt: skip
    effect = _effect("return_rate", "bloom", "local", -0.09, -0.05, -0.01, unit="share of birds")
    vague = [
        _effect("return_rate", driver, "local", -0.04, 0.01, 0.05, unit="share of birds")
        for driver in ("bloom", "feeders", "events")  # bloom is clear in another group
    ]
    vague += [
        vague[1] | {"driver": "monsoon_onset", "definition": "within-site, not through flowers"}
    ]
    vague += [vague[1] | {"definition": "within-site, not through flowers", "low": 0.01}]  # parted
    moulting = _effect("moult_share", "bloom", "local", 0.01, 0.03, 0.05, unit="share of birds")
    refused = {"quantity": "effect", "outcome": "breeding_share", "driver": "", "role": "local",
               "reason": "breeding is empty in the captures"}  # fmt: skip
    passing = level | {"role": "passage", "site": "ridge"}
    borrowed = level | {"quantity": "moult_share", "basis": "borrowed", "birds": 4}
    section = support_section(
        {
            "further": pd.DataFrame([effect, *vague, moulting]),
            "comparison": pd.DataFrame([level, passing, borrowed]),
            "refused": pd.DataFrame([refused, refused | {"driver": "bloom"}]),
        }
    )
    lines = [line for block in section.blocks if isinstance(block, Words) for line in block.lines]
    assert lines == [
        "Local birds, half the flowers: share caught again in a later season falls by 5 in 100 "
        "birds (1 to 9; 240 birds).",
        "Local birds, half the flowers: share in moult rises by 3 in 100 birds (1 to 5; 240 "
        "birds).",
        "Moult tells how far the season has come: a description, no support.",
        "Local birds: no effect of feeders, fires and floods or the onset of the monsoon on share "
        "caught again in a later season is clear.",
        "Local birds: what moves share in breeding condition cannot be told: breeding is empty in "
        "the captures.",
        "Local birds at fork: fuel once breeding is over 12 % of lean mass (10 to 14; 85 birds).",
        "Local birds at fork: share in moult 12 in 100 birds (10 to 14; 4 birds). "
        "This leans on other sites.",
    ]


def test_advice_follows_what_was_refused() -> None:
    effects = pd.DataFrame(
        [
            _effect(GAIN, "feeders", "passage", 0, 0, 0, basis="refused",
                    note="no site had birds enough both with and without feeders: sites alone "
                    "differ"),
            _effect(GAIN, "monsoon_onset", "passage", 0, 0, 0, basis="refused",
                    note="fewer than 8 site-years with bloom surveys and a known monsoon"),
        ]
    )  # fmt: skip
    said = advice(effects)
    assert len(said) == 2
    assert said[0].startswith("Take feeders down for some weeks")
    assert "Taper rather than stop" in said[0]
    assert "Survey flowers in more seasons" in said[1]
    assert advice(pd.DataFrame([_effect(GAIN, "bloom", "local", 0.1, 0.2, 0.3)])) == []
    thin = {"note": "rests on 2 sites that had both"}
    assert advice(pd.DataFrame([_effect(GAIN, "events", "local", 0.1, 0.2, 0.3, **thin)])) == []
    (said,) = advice(pd.DataFrame([_effect(GAIN, "feeders", "local", 0.1, 0.2, 0.3, **thin)]))
    assert "a third site or more" in said


def test_text_from_a_sheet_is_made_visible() -> None:
    said = verdict_sentence("fork\u202egnp", "2031", "passage", [_season(GAIN, 0.01, 0.02, 0.03)])
    assert "\u202e" not in said
