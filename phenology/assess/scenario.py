"""Scenarios: the same birds on the same days, but with other bloom, monsoon or feeders."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.assess.support_outcomes import OUTCOMES
from phenology.errors import StudyError

if TYPE_CHECKING:
    import xarray as xr

    from phenology.assess.scenario_words import Scenario
    from phenology.assess.support import SupportAnswers
    from phenology.estimates import Estimates
    from phenology.models.support import SupportModel
    from phenology.models.support_fit import RoleFit

Array = npt.NDArray[np.float64]

AS_IT_WAS, CHANGE = "as it was", "change"
THROUGH, APART = "change, through flowers", "change, not through flowers"
DAYS_A_WEEK = 7.0


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
        role; definition "" for its level, "change" for the difference from what was, "change,
        through flowers" and "change, not through flowers" where surveys part them. What lies
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
        return self.model.scenario(changes, self.among, (self.role,)).isel(role=0)


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
    asked = [driver_changes(of_role.fit.design.values, scenario, table) for scenario in scenarios]
    runs = [None if unknown else of_role.run(changes) for changes, unknown in asked]
    any_run = next((parts for parts in runs if parts is not None), None)
    actual = (of_role.run({}) if any_run is None else any_run)["actual"].values
    answers.add(quantity, actual, birds=birds, basis="measured", scenario=AS_IT_WAS, **key)
    for scenario, (_, unknown), parts in zip(scenarios, asked, runs, strict=True):
        if parts is None:
            answers.refuse(quantity, unknown, birds=birds, scenario=scenario.name, **key)
            continue
        apart, through = parts["difference"].values, _through_flowers(of_role, scenario)
        difference = apart + through
        reason = str(parts["reason"].item())
        note = "; ".join(said for said in (reason, _flower_note(of_role, scenario)) if said)
        basis = "extrapolated" if reason else "measured"
        shown = {"": actual + difference, CHANGE: difference}
        if _flowers_follow(of_role, scenario):
            shown |= {THROUGH: through, APART: apart}
        for definition, draws in shown.items():
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
        if scenario.monsoon_normal or onset.isna().any():
            normal = onset.groupby(table["site"]).transform("mean").fillna(onset.mean())
            onset = normal if scenario.monsoon_normal else onset.fillna(normal)
        later = 0.0 if scenario.monsoon_normal else scenario.monsoon_days or 0.0
        changes["monsoon_onset"] = onset.to_numpy(dtype=float) + later
    return changes, ""


def _flowers_follow(of_role: _OfRole, scenario: Scenario) -> bool:
    return (
        scenario.monsoon_days is not None
        and scenario.bloom is None
        and of_role.model.kind == "mean"
        and "monsoon_onset" in of_role.flowers
        and "bloom" in of_role.fit.design.within
    )


def _through_flowers(of_role: _OfRole, scenario: Scenario) -> Array:
    if not _flowers_follow(of_role, scenario):
        return np.zeros(len(of_role.fit.coefficients))
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
