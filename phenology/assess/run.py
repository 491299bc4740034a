"""The run: every model in its order, draws handed on and never fed back."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING

import pandas as pd

from phenology.assess.assessment import Assessment
from phenology.assess.bird_in_hand import assess_bird_in_hand
from phenology.assess.comparison import compare_sites
from phenology.assess.condition import assess_condition
from phenology.assess.energy import assess_energy
from phenology.assess.incidents import incident_rates, report_incidents
from phenology.assess.landscape import assess_landscape
from phenology.assess.narrowed import narrowed_answers
from phenology.assess.outputs import PRIVATE_COLUMNS, SUPPORT
from phenology.assess.season import assess_seasons
from phenology.assess.support import assess_support
from phenology.assess.support_store import pack_support
from phenology.compute import Progress, quiet
from phenology.errors import StudyError
from phenology.estimates import Estimates
from phenology.groups import assign_groups
from phenology.machine import machine_kind
from phenology.seasons import season_labels, season_windows
from phenology.sitedays import join_site_days, study_weather
from phenology.weather.monsoon import MonsoonYears, find_monsoon, report_monsoon

if TYPE_CHECKING:
    import xarray as xr

    from phenology.study.study import Study

FEWEST_CAPTURES = 5
LIBRARIES = ("migration-site-support", "jax", "numpyro", "numpy", "pandas", "scipy", "xarray")


def assess_study(
    study: Study, seed: int | None = None, jobs: int = 1, progress: Progress = quiet
) -> Assessment:
    """Answer what a study's sheets can answer.

    Parameters
    ----------
    study : Study
        From `phenology.open_study`.
    seed : int, optional
        Default: the study's own. The same sheets, seed and versions give the same numbers.
    jobs : int
        Season models fitted at once, each in its own process.
    progress : callable
        Called with what is being done and the share done.

    Returns
    -------
    Assessment

    Raises
    ------
    StudyError
        If fewer than five captures can be used.
    """
    if len(study.captures) < FEWEST_CAPTURES:
        number = len(study.captures)
        raise StudyError(
            f"The captures hold {number} usable {'row' if number == 1 else 'rows'}: "
            "nothing can be told from so few.",
            f"A run needs {FEWEST_CAPTURES} or more; 'site-support check' lists every doubt.",
        )
    seed = study.options.seed if seed is None else seed
    answers = Estimates()
    progress("Joining site-days", 0.05)
    assigned = assign_groups(study.captures, study.options.group_by, seed)
    groups = assigned["group"]
    weather = study_weather(study)
    site_days = join_site_days(study, groups, seed, weather)
    sampled = pd.DatetimeIndex(site_days["date"].to_numpy())[
        site_days["sampled"].any("site").to_numpy()
    ]
    windows = season_windows(study.options.seasons, sampled)
    seasons = season_labels(study.captures["date"], windows)
    progress("Lean mass and fuel", 0.1)
    condition = assess_condition(study, groups, seasons, answers, seed)
    monsoon = _assess_monsoon(study, weather, answers, seed)
    site_days = assess_energy(study, site_days, windows, answers, seed)
    report_incidents(incident_rates(study, site_days), answers)
    progress("Season", 0.2)
    grouped = study.captures.assign(group=groups)
    years = None if monsoon is None else monsoon.years
    season = assess_seasons(
        site_days, study, grouped, windows, seed, jobs, answers, progress, years
    )
    progress("Role, stopover and survival", 0.8)
    roles = assess_bird_in_hand(
        study, site_days, answers,
        groups=groups, seasons=seasons, windows=windows, condition=condition, seed=seed,
    )  # fmt: skip
    progress("Support", 0.85)
    landscape = assess_landscape(study, seasons, windows)
    support = assess_support(
        study,
        site_days,
        answers,
        groups=groups,
        seasons=seasons,
        windows=windows,
        condition=condition,
        seed=seed,
        monsoon_years=years,
        role_draws=roles.draws,
        landscape=landscape,
    )
    chances = compare_sites(support, answers)
    packed_support = {SUPPORT + name: model for name, model in pack_support(support).items()}
    captures = study.captures.drop(columns=list(PRIVATE_COLUMNS))
    return Assessment(
        study=study,
        site_days=site_days,
        estimates=answers.table(),
        captures=pd.concat([captures, assigned, condition.birds, roles.birds], axis=1).assign(
            season=seasons
        ),
        curves=season.curves,
        draws=season.draws | condition.draws | support.draws | packed_support,
        diagnostics=pd.concat(
            [season.diagnostics, condition.diagnostics, support.diagnostics], ignore_index=True
        ),
        narrowed=narrowed_answers(study),
        seed=seed,
        versions={library: version(library) for library in LIBRARIES} | {"machine": machine_kind()},
        inputs=study.inputs,
        cite=CITE,
        monsoon=monsoon,
        chances=chances,
        landscape=landscape,
    )


def _assess_monsoon(
    study: Study, weather: xr.Dataset | None, answers: Estimates, seed: int
) -> MonsoonYears | None:
    """Onset and strength by site and year, where the study has dew point or rain."""
    if weather is None:
        return None
    asked = study.options.weather
    found = find_monsoon(
        weather, study.sites, threshold_c=asked.threshold_c, run_days=asked.run_days, seed=seed
    )
    report_monsoon(found, answers)
    return found


CITE = (
    "Phan, D., Pradhan, N. & Jankowiak, M. (2019). Composable effects for flexible and "
    "accelerated probabilistic programming in NumPyro. arXiv:1912.11554.",
    "Peig, J. & Green, A. J. (2009). New perspectives for estimating body condition from "
    "mass/length data. Oikos 118:1883. doi:10.1111/j.1600-0706.2009.17643.x",
)
