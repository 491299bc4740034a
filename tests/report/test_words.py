"""Sentences never say more than the interval allows."""

from __future__ import annotations

import pytest

from phenology.report.words import (
    day_words,
    number_words,
    order_words,
    plain,
    sentence,
    span_words,
)


def row(quantity: str, estimate: float, low: float, high: float, **more: object) -> dict:
    return {
        "quantity": quantity, "estimate": estimate, "low": low, "high": high, "unit": "",
        "basis": "measured", "note": "", "site": "fork", "season": "2031",
        "group": "Selasphorus rufus", "role": "", "outcome": "", "driver": "", "plant": "",
    } | more  # fmt: skip


@pytest.mark.parametrize(
    ("answer", "says", "never"),
    [
        (row("peak_day", 209, 206, 212), "most birds on about 28 July (25–31 July).", "some time"),
        (row("peak_day", 209, 198, 222), "most birds some time in 17 July – 10 August.", "about"),
        (row("peak_day", 209, 170, 260), "not known well enough to plan by", "most birds on"),
        (row("arrival_day", 180, 176, 184, basis="borrowed"), "leans on other years", "assumption"),
        (row("peak_day", 209, 206, 212, basis="assumed"), "rests on assumptions", "other years"),
        (row("peak_day", 209, 206, 212, basis="extrapolated"), "beyond anything seen", "other"),
        (row("fuel_load", 0.16, 0.14, 0.18, unit="share of lean mass"),
         "fuel carried 16 % of lean mass (between 14 and 18).", "0.16"),
        (row("lean_condition", 0.03, 0.01, 0.05), "heavier for its size than usual", "lighter"),
        (row("lean_condition", -0.03, -0.05, -0.01), "lighter for its size than usual", "heavier"),
        (row("lean_condition", 0.03, -0.01, 0.07), "no difference from the usual can be shown",
         "heavier"),
        (row("capture_index", 1.4, 1.1, 1.8), "more birds than in a typical year", "fewer"),
        (row("capture_index", 1.4, 0.9, 2.0), "no difference from the usual", "more birds"),
        (row("effect", 2.0, 0.5, 3.5, outcome="peak_day", driver="bloom", unit="days"),
         "rises with bloom", "cannot"),
        (row("effect", -2.0, -3.5, -0.5, outcome="peak_day", driver="bloom", unit="days"),
         "falls with bloom", "rises"),
        (row("effect", 1.0, -0.5, 2.5, outcome="peak_day", driver="bloom", unit="days"),
         "whether bloom raises or lowers", "rises with"),
        (row("forecast_skill", 0.04, -0.02, 0.1), "no difference from the usual", "better than"),
    ],
)  # fmt: skip
def test_strength_follows_the_interval(answer: dict, says: str, never: str) -> None:
    said = sentence(answer)
    assert says in said
    assert never not in said


def test_a_difference_from_normal_is_never_told_as_a_level() -> None:
    more = {"definition": "season against the site's normal", "unit": "share of birds"}
    below = sentence(row("share_ready", -0.1, -0.15, -0.05, **more))
    assert "below this site's normal (-10 % of birds, between -15 and -5)" in below
    assert "no difference from" in sentence(row("share_ready", 0.02, -0.05, 0.09, **more))


def test_a_refusal_gives_its_reason_and_no_number() -> None:
    refused = row("stopover_days", float("nan"), float("nan"), float("nan")) | {
        "basis": "refused", "note": "fewer than 20 birds were seen again"
    }  # fmt: skip
    said = sentence(refused)
    assert said.endswith("stay cannot be told: fewer than 20 birds were seen again.")
    assert "nan" not in said


def test_an_interval_that_touches_zero_from_either_side_has_no_direction() -> None:
    for low, high in ((0.0, 2.0), (-2.0, 0.0)):
        said = sentence(row("effect", (low + high) / 2, low, high, outcome="peak_day"))
        assert "cannot be told" in said


def test_order_is_said_only_of_intervals_that_do_not_touch() -> None:
    early = row("peak_day", 200, 197, 203, group="Selasphorus rufus adult male")
    late = row("peak_day", 225, 221, 229, group="Selasphorus rufus young male")
    near = row("peak_day", 205, 201, 209, group="Selasphorus rufus young male")
    assert "adult male at fork in 2031 came before" in order_words(early, late)
    assert "adult male at fork in 2031 came before" in order_words(late, early)
    assert "order cannot be told" in order_words(early, near)


def test_days_run_past_new_year_and_know_leap_years() -> None:
    assert day_words(369, "2031", with_year=True) == "4 January 2032"
    assert day_words(60, "2032") == "29 February"
    assert day_words(60, "2031") == "1 March"
    assert day_words(209, "2031 autumn") == "28 July"
    assert span_words(363, 367, "2031") == "29 December – 2 January"


@pytest.mark.parametrize(
    ("value", "low", "high", "shown"),
    [(0.2183, 0.181, 0.262, "0.22"), (16.02, 14.4, 17.6, "16"), (1234.5, 900, 1700, "1200"),
     (-0.001, -0.2, 0.2, "0.0"), (5.0, 5.0, 5.0, "5"), (0.77, 0.77, 23.8, "0.8"),
     (-3e-3, -4.5e-2, -3e-3, "-0.003"), (1e-9, 1e-9, 0.3, "0.000")],
)  # fmt: skip
def test_digits_follow_the_interval(value: float, low: float, high: float, shown: str) -> None:
    assert number_words(value, low, high) == shown


def test_unseen_characters_are_shown_and_length_is_limited() -> None:
    assert plain("a\u202eb\x1b[31mc\u2066d\x00") == "a·b·[31mc·d·"
    assert len(plain("x" * 5000)) == 160


def test_what_is_told_in_several_ways_says_which() -> None:
    fed = row("bird_days_fed", 13, 9, 19, group="", unit="bird-days/day", definition="feeders")
    assert sentence(fed) == (
        "At fork in 2031, feeders: could feed 13 birds a day (between 9 and 19)."
    )
    need = row("share_of_need", 3.1, 2.0, 5.2, group="", unit="times the need",
               definition="flowers of the area counted")  # fmt: skip
    assert "flowers of the area counted: could feed 3 times the birds counted" in sentence(need)
    onset = row("onset_day", 197, 194, 197, group="", definition="run of moist days")
    assert sentence(onset).startswith("At fork in 2031, run of moist days: ")
