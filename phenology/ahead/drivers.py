"""What was known, on a day, of what moves a season: bloom, the onset of the monsoon, the year."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenology.ahead.known import known_on
from phenology.assess.season_drivers import season_drivers
from phenology.errors import StudyError
from phenology.sitedays import join_site_days, study_weather
from phenology.weather.monsoon import find_monsoon

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt
    import xarray as xr

    from phenology.ahead.skill import Trial
    from phenology.models.season_counts import SeasonCounts
    from phenology.seasons import Window
    from phenology.study.study import Study

    Drivers = dict[str, npt.NDArray[Any]]

MEASURED = ("rain_mm", "tmin_c", "tmax_c", "tmean_c", "dewpoint_c")


def weather_until(days: xr.Dataset, issued: pd.Timestamp) -> xr.Dataset:
    """Weather of days to come is not known on the day of issue, whatever a source holds."""
    past = days["date"] <= np.datetime64(issued)
    return days.assign({name: days[name].where(past) for name in MEASURED if name in days})


def known_weather(study: Study, issued: pd.Timestamp) -> xr.Dataset | None:
    """Daily weather up to the day of issue; None without any."""
    weather = study_weather(study)
    return None if weather is None else weather_until(weather, issued)


def drivers_on_site_days(
    study: Study,
    site_days: xr.Dataset,
    weather: xr.Dataset | None,
    window: Window,
    counts: SeasonCounts,
) -> Drivers:
    """Drivers of each season of the counts, from site-days and weather that hold no later day.

    The season that is forecast has the bloom that surveys so far and the weather so far let
    expect, and an onset if it has come; what is not known yet counts as usual.
    """
    years = [int(label.split()[0]) for label in counts.seasons]
    monsoon = None
    if weather is not None:
        asked = study.options.weather
        with suppress(StudyError):  # no whole season of weather yet: an onset is not known
            monsoon = find_monsoon(
                weather, study.sites, threshold_c=asked.threshold_c, run_days=asked.run_days
            ).years
    return season_drivers(site_days, window, counts.sites, years, monsoon)


def drivers_of_trials(
    study: Study,
    groups: pd.Series,
    window: Window,
    counts: SeasonCounts,
    trials: list[Trial],
    seed: int,
) -> Mapping[tuple[str, int], Drivers]:
    """What was known when each past season was to be forecast, by lead and season.

    Parameters
    ----------
    study : Study
    groups : Series
        Group of each capture.
    window : Window
    counts : SeasonCounts
        Whose seasons and sites the drivers are laid out for.
    trials : list of Trial
    seed : int
    """
    found = {}
    for trial in trials:
        began = pd.Timestamp(int(counts.seasons[trial.season].split()[0]), 1, 1)
        issued = began + pd.Timedelta(days=float(counts.day[trial.asked].min()) - 2)
        then = known_on(study, issued)
        if then.captures.empty:
            continue
        weather = known_weather(then, issued)
        site_days = join_site_days(
            then, groups.loc[then.captures.index], seed, weather, bloom_seasons_left_out=0
        )
        found[trial.lead, trial.season] = drivers_on_site_days(
            then, site_days, weather, window, counts
        )
    return found
