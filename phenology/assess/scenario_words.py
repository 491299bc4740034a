"""What a scenario changes, read from words."""

from __future__ import annotations

import re
from dataclasses import dataclass

from phenology.errors import StudyError

BLOOM_WORDS = {"normal": 1.0, "half": 0.5, "double": 2.0}
FEEDER_WORDS = {"none": 0.0, "up": 1.0}


@dataclass(frozen=True)
class Scenario:
    """What is different.

    Attributes
    ----------
    bloom : float or None
        Open flowers as a share of this site's normal for the day.
    monsoon_days : float or None
        Days by which onset is later; None leaves it, and `monsoon_normal` sets each site's mean.
    monsoon_normal : bool
    feeders : float or None
        1 for feeders up on every day, 0 for none between sessions.
    season : str
        Season whose birds are looked at; all if empty.
    name : str
        As it is shown.
    """

    bloom: float | None = None
    monsoon_days: float | None = None
    monsoon_normal: bool = False
    feeders: float | None = None
    season: str = ""
    name: str = ""


def parse_scenario(
    bloom: str | None = None,
    monsoon: str | None = None,
    feeders: str | None = None,
    season: str | None = None,
) -> Scenario:
    """Read the words of a scenario.

    Parameters
    ----------
    bloom : str, optional
        normal, half, double, or a percentage of normal such as 40%.
    monsoon : str, optional
        normal, or days later or earlier such as +14d or -7d.
    feeders : str, optional
        none or up.
    season : str, optional

    Raises
    ------
    StudyError
        For a word that is none of these, or with nothing changed.

    Examples
    --------
    >>> parse_scenario(bloom="half", monsoon="+14d", feeders="none").name
    'bloom half, monsoon +14d, feeders none'
    """
    given = {"bloom": bloom, "monsoon": monsoon, "feeders": feeders}
    changed = {name: word.strip().lower() for name, word in given.items() if word is not None}
    if not changed:
        raise StudyError("The scenario changes nothing.", "Give --bloom, --monsoon or --feeders.")
    share = None if bloom is None else _bloom_share(changed["bloom"])
    days, normal = None, changed.get("monsoon") == "normal"
    if monsoon is not None and not normal:
        days = _monsoon_days(changed["monsoon"])
    up = None
    if feeders is not None:
        if changed["feeders"] not in FEEDER_WORDS:
            raise StudyError(f"--feeders {feeders} is not known.", "Say none or up.")
        up = FEEDER_WORDS[changed["feeders"]]
    return Scenario(
        bloom=share,
        monsoon_days=days,
        monsoon_normal=normal,
        feeders=up,
        season=season or "",
        name=", ".join(f"{name} {word}" for name, word in changed.items()),
    )


def _bloom_share(word: str) -> float:
    if word in BLOOM_WORDS:
        return BLOOM_WORDS[word]
    percent = re.fullmatch(r"(\d+(?:\.\d+)?)\s*%", word)
    if percent is None or not float(percent[1]) > 0:
        raise StudyError(
            f"--bloom {word} is not known.",
            "Say normal, half, double, or a percentage of normal above 0 such as 40%.",
        )
    return float(percent[1]) / 100


def _monsoon_days(word: str) -> float:
    days = re.fullmatch(r"([+-]?\d+(?:\.\d+)?)\s*d(?:ays)?", word)
    if days is None:
        raise StudyError(
            f"--monsoon {word} is not known.", "Say normal, or days such as +14d or -7d."
        )
    return float(days[1])


def parse_scenario_words(words: str, season: str | None = None) -> Scenario:
    """Read a scenario written as its own name.

    Parameters
    ----------
    words : str
        Such as "bloom half, feeders none".
    season : str, optional

    Raises
    ------
    StudyError
        For a part that names no driver, or a driver named twice.

    Examples
    --------
    >>> parse_scenario_words("monsoon -7d, bloom 40%").bloom
    0.4
    """
    given: dict[str, str] = {}
    for part in words.split(","):
        driver, _, word = part.strip().partition(" ")
        if driver not in ("bloom", "monsoon", "feeders") or not word or driver in given:
            raise StudyError(
                f"'{words}' is not a scenario.",
                "Write bloom, monsoon or feeders, each once, as in 'bloom half, feeders none'.",
            )
        given[driver] = word
    return parse_scenario(season=season, **given)
