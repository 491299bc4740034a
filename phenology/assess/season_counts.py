"""From site-days to the counts that the season model is given."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.assess.season_drivers import season_drivers
from phenology.assess.season_evidence import CountedBirds, counted_birds, seen_again
from phenology.assess.season_traits import bird_traits
from phenology.birds import bird_of_capture
from phenology.models.refusal import Refused
from phenology.models.season_counts import (
    BAITED_TRAP,
    INDEPENDENT_COUNT,
    UNBAITED_NET,
    SeasonCounts,
)
from phenology.study.options import SpeciesOptions

if TYPE_CHECKING:
    from collections.abc import Iterator

    from phenology.estimates import Estimates
    from phenology.seasons import Window
    from phenology.study.options import StudyOptions
    from phenology.study.study import Study

Array = npt.NDArray[Any]

BAIT_CODES = {"baited": BAITED_TRAP, "unbaited": UNBAITED_NET, "either": BAITED_TRAP}
DATES = ("arrival_day", "peak_day", "departure_day")


@dataclass(frozen=True)
class SeasonTask:
    """One species in one window of the year: what is fitted together."""

    species: str
    window: Window
    counts: SeasonCounts
    birds: pd.Series[int]  # by group, site and season
    seed: int


def season_tasks(
    site_days: xr.Dataset,
    study: Study,
    captures: pd.DataFrame,
    windows: tuple[Window, ...],
    seed: int,
    answers: Estimates,
    monsoon_years: pd.DataFrame | None = None,
) -> Iterator[SeasonTask]:
    """Lay out the counts of every species and window; refuse, in words, what holds no birds."""
    species_of = site_days["species"].to_series()
    for number, species in enumerate(sorted(species_of.unique())):
        groups = species_of.index[species_of == species].to_list()
        counted = counted_birds(study.sheets.get("counts"), captures, site_days, groups, seed)
        again = seen_again(captures, site_days, groups)
        for window in windows:
            try:
                counts = season_counts(
                    site_days, study.options, species, groups, window, counted, again
                )
            except Refused as reason:
                for quantity in DATES:
                    answers.refuse(quantity, str(reason), group=species, season=window.name)
                continue
            years = [int(label.split()[0]) for label in counts.seasons]
            drivers = season_drivers(site_days, window, counts.sites, years, monsoon_years)
            counts = replace(counts, drivers=drivers)
            of_species = captures[captures["species"] == species]
            if (counts.site_roles == "mixed").any():
                labels = {"groups": groups, "sites": counts.sites, "seasons": counts.seasons}
                traits = bird_traits(of_species, study.fat_levels, window, **labels)
                counts = replace(counts, traits=traits)
            birds = birds_by_season(of_species, window, counts)
            yield SeasonTask(species, window, counts, birds, seed + number)


def birds_by_season(captures: pd.DataFrame, window: Window, counts: SeasonCounts) -> pd.Series[int]:
    """Birds by group, site and season: those caught, each once; where none was, those counted.

    Parameters
    ----------
    captures : DataFrame
        Clean captures with their `group`.
    window : Window
    counts : SeasonCounts
    """
    key = ["group", "site", "season"]
    place = window.place(pd.DatetimeIndex(captures["date"]))
    season = [window.label(year) for year in place["season"]]
    caught = captures.assign(season=season, bird=bird_of_capture(captures))
    caught = caught[place["inside"].to_numpy()].groupby(key)["bird"].nunique()
    names = {name: np.array(getattr(counts, f"{name}s")) for name in key}
    rows = pd.DataFrame({name: names[name][getattr(counts, name)] for name in key})
    counted = rows.assign(birds=counts.count).groupby(key)["birds"].sum()
    birds: pd.Series[int] = caught.reindex(counted.index).fillna(counted).astype(int)
    return birds


def season_counts(
    site_days: xr.Dataset,
    options: StudyOptions,
    species: str,
    groups: list[str],
    window: Window,
    counted: CountedBirds | None = None,
    again: tuple[int, int] = (0, 0),
) -> SeasonCounts:
    """Counts of one species' groups in one window: every sampled site-day, birds or none.

    Without an effort sheet every day from the first to the last capture of a site's season
    counts as sampled: the timing is then that of captures, not of birds.
    """
    place = window.place(pd.DatetimeIndex(site_days["date"].to_numpy()))
    inside = np.flatnonzero(place["inside"].to_numpy())
    place = place.iloc[inside].reset_index(drop=True)
    days = site_days.isel(date=inside)
    sampled = place["season"].to_numpy()[days["sampled"].any("site").to_numpy()]
    if not sampled.size:
        raise Refused("no day of this season was sampled")
    seasons = list(range(sampled.min(), sampled.max() + 1))  # a lost year between is predicted
    kept = np.flatnonzero(place["season"].isin(seasons).to_numpy())
    place, days = place.iloc[kept].reset_index(drop=True), days.isel(date=kept)
    caught = days["captures"].sum("group").to_numpy()  # site, date, bait
    hours = days["effort_hours"].to_numpy()
    if site_days.attrs["effort_known"]:
        rows = (hours > 0) | (caught > 0)
    else:
        rows = np.zeros(hours.shape, dtype=bool)
        rows[..., 0] = _spans(caught.sum(-1) > 0, place["season"].to_numpy())
    site, date, bait = np.nonzero(rows)
    log_effort = _log_effort(hours[site, date, bait])
    count = days["captures"].sel(group=groups).to_numpy()[site, date, bait]
    full = days["full"].to_numpy()[site, date, bait]
    method = np.array([BAIT_CODES[name] for name in site_days["bait"].to_numpy()])[bait]
    if counted is not None:
        minutes = counted.minutes[:, inside][:, kept]
        watched = np.nonzero(minutes)
        birds = counted.birds[:, inside][:, kept][watched]
        site, date = (np.append(a, b) for a, b in zip((site, date), watched, strict=True))
        log_effort = np.append(log_effort, _log_effort(minutes[watched]))
        count = np.concatenate([count, birds])
        full = np.append(full, np.zeros(len(birds), bool))
        method = np.append(method, np.full(len(birds), INDEPENDENT_COUNT))
    number = len(groups)
    year = place["season"].to_numpy()[date]

    def each(values: Array) -> Array:
        return np.repeat(values, number)

    role = options.species.get(species, SpeciesOptions(role="mixed"))
    return SeasonCounts(
        count=count.ravel(),
        group=np.tile(np.arange(number), len(site)),
        site=each(site),
        season=each(np.searchsorted(seasons, year)),
        day=each(place["day"].to_numpy(dtype=float)[date]),
        groups=tuple(groups),
        sites=tuple(site_days["site"].to_numpy().astype(str)),
        seasons=tuple(window.label(season) for season in seasons),
        roles=(role.role,) * number,
        first_day=float(window.first_day),
        last_day=float(window.last_day),
        log_effort=each(log_effort),
        log_nectar=each(_log_nectar(days)[site, date]),
        censored=each(full),
        method=each(method),
        rivals=each(_rivals(days)[site, date]),
        seen_again=again,
        effort_known=bool(site_days.attrs["effort_known"]),
        site_roles=np.array(
            [[role.sites.get(name, role.role) for name in site_days["site"].to_numpy()]] * number
        ),
    )


def _spans(caught: Array, season: Array) -> Array:
    """Mark every day from the first to the last capture of each site's season."""
    marked = np.zeros_like(caught)
    for year in np.unique(season):
        days = np.flatnonzero(season == year)
        for site in range(len(caught)):
            with_birds = days[caught[site, days]]
            if with_birds.size:
                marked[site, with_birds[0] : with_birds[-1] + 1] = True
    return marked


def _rivals(days: xr.Dataset) -> Array:
    """1 where feeders hung near the site; 0 where none did or the sheets do not say."""
    if "feeders_up" not in days:
        return np.zeros((days.sizes["site"], days.sizes["date"]))
    return np.asarray(days["feeders_up"].transpose("site", "date").fillna(0.0))


def _log_nectar(days: xr.Dataset) -> Array:
    """Log nectar over its mean on days worked; 0 where unknown."""
    if "nectar" not in days:
        return np.zeros((days.sizes["site"], days.sizes["date"]))
    nectar = days["nectar"].transpose("site", "date").to_numpy()
    worked = days["sampled"].to_numpy() & np.isfinite(nectar) & (nectar > 0)
    if not worked.any():
        return np.zeros(nectar.shape)
    typical = np.exp(np.log(nectar[worked]).mean())
    least = np.quantile(nectar[worked], 0.05)  # a bare day is poor, not infinitely so
    logs: Array = np.log(np.maximum(np.nan_to_num(nectar, nan=typical), least) / typical)
    return logs


def _log_effort(hours: Array) -> Array:
    """Log device-hours over those of a typical sampled day; 0 where unknown."""
    known = hours > 0
    typical = np.median(hours[known]) if known.any() else 1.0
    logs: Array = np.log(np.where(known, hours, typical) / typical)
    return logs
