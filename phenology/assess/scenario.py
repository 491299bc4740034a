"""Scenarios: the same birds on the same days, but with other bloom, monsoon or feeders."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.assess.support_rows import OUTCOMES
from phenology.errors import StudyError

if TYPE_CHECKING:
    import xarray as xr

    from phenology.assess.support import SupportAnswers
    from phenology.estimates import Estimates
    from phenology.models.support import SupportModel
    from phenology.models.support_fit import RoleFit

Array = npt.NDArray[np.float64]

AS_IT_WAS, CHANGE = "as it was", "change"
BLOOM_WORDS = {"normal": 1.0, "half": 0.5, "double": 2.0}
FEEDER_WORDS = {"none": 0.0, "up": 1.0}
DAYS_A_WEEK = 7.0


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


def tell_scenarios(
    support: SupportAnswers, scenarios: Sequence[Scenario], answers: Estimates, site: str = ""
) -> None:
    """Report every outcome as it was and, for each scenario, as it would have been.

    Parameters
    ----------
    support : SupportAnswers
    scenarios : sequence of Scenario
        Of one season.
    answers : Estimates
        Gains rows with `scenario` filled, "as it was" among them: quantity the outcome, one a
        role; definition "" for its level, "change" for the difference from what was. What lies
        outside the data is marked extrapolated with the reason; what cannot be told is refused.
    site : str, optional
        Site whose birds are looked at; all by default.

    Raises
    ------
    StudyError
        If no bird was caught at that site in that season, or the seasons differ.

    Notes
    -----
    A later or earlier monsoon also acts through flowers, where surveys tell how they follow it
    and the scenario does not set the bloom itself; the note says which.
    """
    table = support.birds.table
    seasons = {scenario.season for scenario in scenarios}
    if len(seasons) != 1:
        raise StudyError("Scenarios shown side by side must be of one season.")
    (season,) = seasons
    among = np.ones(len(table), dtype=bool)
    for column, wanted in (("season", season), ("site", site)):
        if wanted:
            among &= table[column].eq(wanted).to_numpy(dtype=bool)
    if not among.any():
        where = " and ".join(word for word in (f"season {season}" * bool(season), site) if word)
        raise StudyError(
            f"No bird was caught in {where}.",
            f"Seasons with birds: {', '.join(sorted(table['season'].unique()))}.",
        )
    for outcome in OUTCOMES:
        if outcome.quantity in support.models:
            model = support.models[outcome.quantity]
            for role in model.roles_:
                key: dict[str, Any] = {"site": site, "season": season, "role": role}
                of_role = _OfRole(model, role, among, support.flowers)
                _tell_role(of_role, scenarios, answers, table, outcome.quantity, key)


@dataclass(frozen=True)
class _OfRole:
    """A fitted outcome, for one role and some of its birds."""

    model: SupportModel
    role: str
    among: npt.NDArray[np.bool_]
    flowers: Mapping[str, Array]

    @property
    def fit(self) -> RoleFit:
        return self.model.roles_[self.role]

    @property
    def birds(self) -> int:
        chosen = self.among[self.fit.rows]
        return round(float(self.fit.chance[chosen].sum()))

    def run(self, changes: Mapping[str, Array]) -> xr.Dataset:
        return self.model.scenario(changes, self.among, (self.role,)).sel(role=self.role)


def _tell_role(
    of_role: _OfRole,
    scenarios: Sequence[Scenario],
    answers: Estimates,
    table: pd.DataFrame,
    quantity: str,
    key: dict[str, Any],
) -> None:
    birds = of_role.birds
    if not birds:
        for name in (AS_IT_WAS, *(scenario.name for scenario in scenarios)):
            answers.refuse(
                quantity, "no bird of this role was measured there", scenario=name, **key
            )
        return
    actual = of_role.run({})["actual"].values
    answers.add(quantity, actual, birds=birds, basis="measured", scenario=AS_IT_WAS, **key)
    for scenario in scenarios:
        changes, unknown = driver_changes(of_role.fit.design.values, scenario, table)
        if unknown:
            answers.refuse(quantity, unknown, birds=birds, scenario=scenario.name, **key)
            continue
        parts = of_role.run(changes)
        difference = parts["difference"].values + _through_flowers(of_role, scenario)
        reason = str(parts["reason"].item())
        note = "; ".join(said for said in (reason, _flower_note(of_role, scenario)) if said)
        basis = "extrapolated" if reason else "measured"
        for definition, draws in (("", actual + difference), (CHANGE, difference)):
            told = key | {"scenario": scenario.name, "definition": definition}
            answers.add(quantity, draws, birds=birds, basis=basis, note=note, **told)


def driver_changes(
    known: Mapping[str, Array], scenario: Scenario, table: pd.DataFrame
) -> tuple[dict[str, Array], str]:
    """New drivers of all birds, and why the scenario cannot be told (empty if it can)."""
    changes: dict[str, Array] = {}
    wanted = {
        "bloom": None if scenario.bloom is None else float(np.log(scenario.bloom)),
        "feeders": scenario.feeders,
    }
    for driver, value in wanted.items():
        if value is not None:
            if driver not in known:
                return {}, f"{driver} is not known well enough in this study"
            changes[driver] = np.full(len(table), value)
    if scenario.monsoon_days is not None or scenario.monsoon_normal:
        if "monsoon_onset" not in known:
            return {}, "the onset of the monsoon is not known well enough in this study"
        onset = table["monsoon_onset"]
        normal = onset.groupby(table["site"]).transform("mean").fillna(onset.mean())
        later = onset.fillna(normal) + (scenario.monsoon_days or 0.0)
        moved = normal if scenario.monsoon_normal else later
        changes["monsoon_onset"] = moved.to_numpy(dtype=float)
    return changes, ""


def _flowers_follow(of_role: _OfRole, scenario: Scenario) -> bool:
    return (
        scenario.monsoon_days is not None
        and scenario.bloom is None
        and of_role.model.kind == "mean"
        and "monsoon_onset" in of_role.flowers
        and "bloom" in of_role.fit.design.within
    )


def _through_flowers(of_role: _OfRole, scenario: Scenario) -> Array | float:
    if not _flowers_follow(of_role, scenario):
        return 0.0
    slope = of_role.fit.coefficients[:, of_role.fit.design.within["bloom"]]
    weeks = (scenario.monsoon_days or 0.0) / DAYS_A_WEEK
    return np.asarray(slope * of_role.flowers["monsoon_onset"][: len(slope)] * weeks)


def _flower_note(of_role: _OfRole, scenario: Scenario) -> str:
    moved = scenario.monsoon_days is not None or scenario.monsoon_normal
    if not moved or "bloom" not in of_role.fit.design.within:
        return ""
    if _flowers_follow(of_role, scenario):
        return "with what the monsoon does through flowers"
    if scenario.bloom is not None:
        return "with the bloom that was asked for"
    return "without what the monsoon does through flowers"
