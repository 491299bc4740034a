"""Outcomes of local birds: fuel once breeding is over, return, moult and breeding.

Birds are invented; every effect that is looked for was put in by hand.
"""

import numpy as np
import pandas as pd
import pytest
from invented_support import SPECIES, assess_invented

from phenology.assess import support
from phenology.assess.signs import after_breeding
from phenology.assess.support_outcomes import OUTCOMES
from phenology.quantities import AGAINST_NORMAL
from phenology.report.support_words import effect_sentence, judged_by, verdict_sentence
from phenology.study.study import Study

LAST_SIGN = 210  # day of the last sign of breeding in the invented study
BLOOM = {"driver": "bloom", "role": "local", "definition": "within-site"}


def _only(monkeypatch, quantity: str) -> None:
    chosen = tuple(outcome for outcome in OUTCOMES if outcome.quantity == quantity)
    monkeypatch.setattr(support, "OUTCOMES", chosen)


def _with(parts, captures=None, hand=None):
    study, site_days, own, monsoon = parts
    if captures is not None:
        study = Study(**(vars(study) | {"sheets": {"captures": captures}}))
    return study, site_days, own if hand is None else hand, monsoon


def _bloom(parts) -> np.ndarray:
    captures, site_days = parts[0].captures, parts[1]
    index = site_days["bloom_index"].to_series()
    keys = pd.MultiIndex.from_arrays([captures["site"], captures["date"]])
    return index.reindex(keys).to_numpy()


def _told(table: pd.DataFrame, **key) -> dict:
    chosen = table[table["quantity"] == "effect"]
    for column, value in (BLOOM | key).items():
        chosen = chosen[chosen[column] == value]
    (row,) = chosen.to_dict("records")
    return row


@pytest.fixture(scope="module")
def bred(parts):
    """Fuel rises with bloom after breeding, falls with it before; breeding birds are lean."""
    captures = parts[0].captures
    day = captures["date"].dt.day_of_year.to_numpy()
    rng = np.random.default_rng(3)
    breeding = np.where(day < LAST_SIGN, "yes", np.where(rng.random(len(day)) < 0.5, "no", None))
    hand = parts[2].copy()
    slope = np.where(day < LAST_SIGN, -0.08, 0.04)
    level = np.where(day < LAST_SIGN, -0.1, 0.2)
    fuel = level + slope * _bloom(parts) + rng.normal(0, 0.03, len(day))
    hand["fuel_load"] = (("draw", "bird"), fuel + rng.normal(0, 0.01, (60, len(day))))
    written = captures.assign(breeding=pd.Series(breeding, captures.index, dtype="str"))
    return _with(parts, written, hand), day


def test_fuel_after_breeding_follows_the_bloom_of_birds_that_are_done(bred, monkeypatch) -> None:
    _only(monkeypatch, "fuel_after_breeding")
    parts, day = bred
    table = assess_invented(parts)[1]
    row = _told(table, outcome="fuel_after_breeding")
    assert row["high"] < 0  # half the flowers: less fuel; 0.04 a unit of the log ratio, halved
    assert row["estimate"] == pytest.approx(-0.04 * np.log(2), abs=0.012)
    assert row["unit"] == "share of lean mass, per halving of bloom"
    local = parts[0].captures["species"].eq(SPECIES["local"]).to_numpy()
    assert row["birds"] == int((local & (day >= LAST_SIGN)).sum())
    assert set(table["role"]) == {"local"}
    assert effect_sentence(row).startswith(
        "Local birds, half the flowers: fuel once breeding is over falls by "
    )


def test_birds_still_breeding_never_enter_nor_lower_it(bred, monkeypatch) -> None:
    _only(monkeypatch, "fuel_after_breeding")
    parts, day = bred
    starved = parts[2].copy()
    starved["fuel_load"] = starved["fuel_load"] - 0.2 * (day < LAST_SIGN)
    tables = [assess_invented(one)[1] for one in (parts, _with(parts, hand=starved))]
    pd.testing.assert_frame_equal(*tables)


def test_it_counts_as_support_of_local_birds_alone() -> None:
    row = {"quantity": "fuel_after_breeding", "low": -0.05, "estimate": -0.03, "high": -0.01,
           "definition": AGAINST_NORMAL, "basis": "measured", "note": ""}  # fmt: skip
    assert "worse" in verdict_sentence("fork", "2031", "local", [row])
    assert not judged_by("passage", [row])
    for quantity in ("fuel_load", "moult_share", "breeding_share"):
        assert not judged_by("local", [row | {"quantity": quantity}])


def test_it_is_refused_where_breeding_is_not_written_down(parts, monkeypatch) -> None:
    _only(monkeypatch, "fuel_after_breeding")
    (row,) = assess_invented(parts)[1].to_dict("records")
    assert row["basis"] == "refused"
    assert row["note"].startswith("breeding is empty in the captures")
    nothing = parts[0].captures.assign(breeding="no")
    (row,) = assess_invented(_with(parts, nothing))[1].to_dict("records")
    assert row["note"] == "no bird showed a sign of breeding: when it was over is not told"


def test_when_breeding_is_over_for_a_bird() -> None:
    birds = pd.DataFrame(
        [
            (150, "adult", "yes", False),
            (170, "adult", "brood patch", None),
            (200, "adult", None, True),  # an egg is the last sign
            (160, "adult", "no", None),  # may not have begun
            (180, "adult", "no", None),  # half of the signs have passed
            (180, "young", "no", None),  # never bred
            (180, "adult", None, None),  # nothing says so
            (201, "young", None, None),
            (201, "adult", None, None),
            (155, "adult", "Post-breeding", None),
        ],
        columns=["day", "age", "breeding", "gravid"],
    ).assign(site="fork", species=SPECIES["local"])
    assert after_breeding(birds).tolist() == [False] * 4 + [True, False, False] + [True] * 3
    elsewhere = birds.iloc[3:9].assign(site="ridge", gravid=None)
    assert not after_breeding(elsewhere).any()  # no sign there tells nothing


@pytest.fixture(scope="module")
def returning(parts):
    """Each bird of a bloom above its site's normal comes back the next season, of others few."""
    captures = parts[0].captures.assign(age="adult")
    back = np.random.default_rng(4).random(len(captures)) < 1 / (1 + np.exp(1 - 2 * _bloom(parts)))
    again = captures[back & captures["species"].eq(SPECIES["local"])]
    later = again.assign(date=again["date"] + pd.DateOffset(years=1))
    last = captures["date"].dt.year.max()
    later = later[later["date"].dt.year <= last]
    later["date"] = later["date"].astype("datetime64[s]")
    return pd.concat([captures, later], ignore_index=True)


def test_what_moves_return_is_told_and_the_last_season_is_censored(
    parts, returning, monkeypatch
) -> None:
    _only(monkeypatch, "return_rate")
    table = assess_invented(_with(parts, returning))[1]
    row = _told(table, outcome="return_rate")
    assert row["high"] < 0  # half the flowers: fewer come back
    year = returning["date"].dt.year
    followed = returning["species"].eq(SPECIES["local"]) & (year < year.max())
    assert row["birds"] <= int(followed.sum())
    assert "in the next season worked" in row["note"]
    assert "share caught again in a later season falls by" in effect_sentence(row)


def test_return_is_refused_where_seasons_are_too_few(parts, returning, monkeypatch) -> None:
    _only(monkeypatch, "return_rate")
    years = returning["date"].dt.year
    for kept, words in ((1, "0 seasons have a later one"), (2, "1 season has a later one")):
        few = returning[years < years.min() + kept].reset_index(drop=True)
        (row,) = assess_invented(_with(parts, few))[1].to_dict("records")
        assert row["basis"] == "refused"
        assert row["note"].startswith(words)


@pytest.mark.parametrize(
    ("quantity", "column", "refused"),
    [
        ("moult_share", "flight_moult", "body_moult and flight_moult are empty"),
        ("breeding_share", "breeding", "breeding is empty"),
    ],
)
def test_moult_and_breeding_are_told_at_the_same_dates(
    parts, monkeypatch, quantity, column, refused
) -> None:
    """Bloom moves the share by a known sign; the day, which moves it far more, does not hide it."""
    _only(monkeypatch, quantity)
    captures = parts[0].captures.assign(age="adult")
    day = captures["date"].dt.day_of_year
    logit = 1.5 * _bloom(parts) + (day - 210) / 10 * (1 if column == "flight_moult" else -1)
    seen = np.random.default_rng(5).random(len(captures)) < 1 / (1 + np.exp(-logit))
    written = captures.assign(**{column: np.where(seen, "yes", "no")})
    row = _told(assess_invented(_with(parts, written))[1], outcome=quantity)
    assert row["high"] < 0
    assert "a description, not support" in row["note"]
    empty = assess_invented(_with(parts, captures))[1]
    assert empty["basis"].tolist() == ["refused"]
    assert empty["note"].str.startswith(refused).all()


def test_the_share_that_breeds_leaves_mixed_species_out(parts, monkeypatch) -> None:
    """A sign of breeding makes a bird local: its role must not be read off the outcome."""
    _only(monkeypatch, "breeding_share")
    captures = parts[0].captures.assign(age="adult", species=SPECIES["mixed"])
    captures["breeding"] = np.where(np.arange(len(captures)) % 2, "yes", "no")
    (row,) = assess_invented(_with(parts, captures))[1].to_dict("records")
    assert row["basis"] == "refused"
    assert row["note"].endswith("0 birds, 30 needed")
