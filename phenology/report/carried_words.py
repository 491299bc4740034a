"""What carried the passage birds of a season: flowers, feeders, or neither, by rule."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

from phenology.report.words import plain

Row = Mapping[Hashable, Any]


@dataclass(frozen=True)
class Situation:
    """Flowers and feeders of one site and season.

    Attributes
    ----------
    bloom_low, bloom_high : float
        Bounds of the mean bloom index, 0 being this site's normal.
    feeders_share : float
        Share of the days worked on which feeders hung; NaN if nobody noted it.
    captures_low : float
        Lower bound of captures against a typical year; NaN if unknown.
    bird_days_fed : float
        Birds that the feeders could feed for a day, each day; NaN if unknown.
    """

    bloom_low: float
    bloom_high: float
    feeders_share: float
    captures_low: float = float("nan")
    bird_days_fed: float = float("nan")


# g a day below normal that a gain may at most be to have held up: a sixth of the fastest sustained
# gain of a bird of 3.4 g (8.5 % of lean mass a day; Lindström 2003, quoted)
HELD_UP = 0.05
POOR_BLOOM = -0.35  # of the bloom index: under seven tenths of the normal flowers
MOSTLY, SELDOM = 0.5, 0.25  # share of days


def carried_sentence(
    site: str,
    season: str,
    situation: Situation,
    gain: Row | None,
    feeders: Row | None,
    by_bloom: Row | None,
) -> str:
    """What carried the passage birds of a season: flowers, feeders, or neither.

    Feeders carried a site only where flowers failed, feeders hung, the daily gain held up, and
    the study's own contrast of days with and without feeders says that they help. Many captures
    at a baited trap say nothing of the kind.

    Parameters
    ----------
    site, season : str
    situation : Situation
    gain : mapping or None
        The season's fuel deposition against the site's normal.
    feeders, by_bloom : mapping or None
        Within-site effects of feeders, and of feeders by bloom, on fuel deposition of passage
        birds.

    Returns
    -------
    str
        Empty where nothing can be said.
    """
    failed, good = situation.bloom_high < POOR_BLOOM, situation.bloom_low > POOR_BLOOM
    if gain is None or gain["basis"] not in {"measured", "borrowed"} or not (failed or good):
        return ""
    at = f"At {plain(site, 60)} in {plain(season, 20)}"
    low, high = float(gain["low"]), float(gain["high"])
    fell, held = high < 0, low > -HELD_UP
    hung = situation.feeders_share >= MOSTLY
    help_shown = _helps(feeders) or _helps(by_bloom)
    fed = situation.bird_days_fed
    energy = f" They could feed about {fed:,.0f} birds a day." if fed > 0 else ""
    fattened = f"{at} flowers failed, yet passage birds gained about as much as normal"
    # (applies, what is said); the first that applies
    rules = (
        (
            good and low > 0 and situation.feeders_share < SELDOM,
            f"{at} passage birds fattened well on natural flowers.",
        ),
        (good, ""),
        (
            fell and situation.captures_low > 1,
            f"{at} flowers failed and passage birds gained less than normal; more captures at "
            "bait are no sign of support.",
        ),
        (fell, f"{at} flowers failed and passage birds gained less than normal."),
        (not held, f"{at} flowers failed; whether passage birds still gained cannot be told."),
        (situation.feeders_share < MOSTLY, f"{fattened}, with few feeders up."),
        (not hung, f"{fattened}; whether feeders hung was not noted."),
        (
            help_shown,
            f"{at} flowers failed and feeders carried the passage birds: they gained about as "
            f"much as normal, and feeders help where both were seen.{energy}",
        ),
        (True, f"{fattened}, with feeders up; that the feeders did it cannot be shown."),
    )
    return next(said for applies, said in rules if applies)


def _helps(row: Row | None) -> bool:
    return row is not None and row["basis"] == "measured" and float(row["low"]) > 0
