"""Rows of the support model: the drivers and outcomes of every captured bird."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.assess.support_drivers import feeder_kinds, surroundings

if TYPE_CHECKING:
    import xarray as xr

    from phenology.seasons import Window
    from phenology.study.study import Study

Array = npt.NDArray[np.float64]

MOST_DRAWS = 200
LONGEST_STAY_DAYS = 15  # between two captures of one stay
AFTER_EVENT_DAYS = 365  # an event acts for so long after its last day
LASTING_EVENTS = ("fire", "flood")
NO_POLLEN = {"no", "n", "none", "0", "absent", "nil"}
BAITED = {"baited": 1.0, "unbaited": 0.0, "either": 0.5}  # share of hours with bait
ROLE_CHANCE = {"local": 1.0, "passage": 0.0, "mixed": np.nan}


@dataclass(frozen=True)
class Outcome:
    """What a driver may change.

    Attributes
    ----------
    quantity : str
        Name in the vocabulary.
    kind : {"mean", "share"}
    roles : tuple of str
        Roles for which the outcome means something.
    unit : str
        Of an effect.
    note : str
        What a reader must know beside every effect.
    values : callable
        Of `Birds`: draws (draw, bird) or values (bird,), NaN where a bird does not count.
    ages_apart : bool
        Whether birds are like by group; an outcome that is itself an age is like by species.
    """

    quantity: str
    kind: Literal["mean", "share"]
    roles: tuple[str, ...]
    unit: str
    note: str
    values: Callable[[Birds], Array | None]
    ages_apart: bool = True


@dataclass(frozen=True)
class Birds:
    """Captures with all that bears on support, one row a capture."""

    table: pd.DataFrame
    draws: dict[str, Array]  # of the bird in the hand, (draw, capture)
    next_stop_km: float | None
    words: dict[str, str] = field(default_factory=dict)  # what a reader must know of a driver


def gather_birds(
    study: Study,
    site_days: xr.Dataset,
    *,
    groups: pd.Series,
    seasons: pd.Series,
    windows: tuple[Window, ...],
    hand: xr.Dataset | None,
    monsoon_years: pd.DataFrame | None,
    landscape: pd.DataFrame | None = None,
) -> Birds:
    """Set drivers beside every capture and align the draws of the bird in the hand.

    Parameters
    ----------
    study, site_days, windows
        As the run has them.
    groups, seasons : Series
        Indexed as `study.captures`.
    hand : Dataset or None
        Draws by bird, (draw, bird), `bird` being the captures' index.
    monsoon_years : DataFrame or None
        site, season (year), onset_day, spi.
    landscape : DataFrame, optional
        From `assess_landscape`.

    Returns
    -------
    Birds
        `table` has the captures' columns, `group`, `season`, `day`, `first_of_season` and the
        drivers that the study knows: bloom, feeders, monsoon_onset, monsoon_strength, events and
        those of `support_drivers`.
    """
    captures = study.captures
    placed = place_in_season(captures["date"], windows)
    table = captures.assign(
        group=groups,
        season=seasons,
        day=placed["day"].to_numpy(),
        season_year=placed["season"].to_numpy(),
        p_local=_species_chance(study),
    )
    table["first_of_season"] = _first_of_season(table)
    table = table.assign(**_daily_drivers(table, site_days))
    if monsoon_years is not None:
        years = monsoon_years.set_index(["site", "season"])
        keys = pd.MultiIndex.from_arrays([table["site"].astype(str), table["season_year"]])
        for driver, column in (("monsoon_onset", "onset_day"), ("monsoon_strength", "spi")):
            values = years[column].reindex(keys).to_numpy(dtype=float)
            if np.isfinite(values).any():
                table[driver] = values
    events = study.sheets.get("events")
    if events is not None:
        table["events"] = _after_events(table, events)
    around, words = surroundings(table, study, landscape)
    table = table.assign(**feeder_kinds(table, study.sheets.get("feeders")), **around)
    return Birds(table, _aligned(hand, table.index), study.options.next_stop_km, words)


def place_in_season(dates: pd.Series, windows: tuple[Window, ...]) -> pd.DataFrame:
    """Season year and day of each date, by the window that holds it."""
    days = pd.DatetimeIndex(dates)
    placed = windows[0].place(days)
    for window in windows[1:]:
        other = window.place(days)
        inside = other["inside"].to_numpy()
        placed[inside] = other[inside]
    return placed


def _species_chance(study: Study) -> Array:
    """Chance of being local by the species' role at the site; missing for mixed ones."""
    chance = []
    for species, site in zip(study.captures["species"], study.captures["site"], strict=True):
        options = study.options.species.get(species)
        role = "mixed" if options is None else options.sites.get(site, options.role)
        chance.append(ROLE_CHANCE[role])
    return np.array(chance)


def _first_of_season(table: pd.DataFrame) -> pd.Series:
    order = table.sort_values(["date", "time"], kind="stable")
    again = order["band"].notna() & order.duplicated(["site", "season", "band"])
    return (~again).reindex(table.index)


def _daily_drivers(table: pd.DataFrame, site_days: xr.Dataset) -> dict[str, Array]:
    site = pd.Index(site_days["site"].to_numpy().astype(str)).get_indexer(
        pd.Index(table["site"].astype(str))
    )
    day = pd.DatetimeIndex(site_days["date"].to_numpy()).get_indexer(
        pd.DatetimeIndex(table["date"])
    )
    drivers = {
        driver: site_days[variable].transpose("site", "date").to_numpy()[site, day].astype(float)
        for driver, variable in (("bloom", "bloom_index"), ("feeders", "feeders_up"))
        if variable in site_days
    }
    hours = site_days["effort_hours"].transpose("site", "date", "bait").to_numpy()[site, day]
    total = hours.sum(axis=1)
    if (total > 0).any():
        weight = [BAITED[kind] for kind in site_days["bait"].to_numpy().tolist()]
        baited = hours @ np.array(weight)
        drivers["baited"] = np.where(total > 0, baited / np.where(total > 0, total, 1.0), np.nan)
    return drivers


def _after_events(table: pd.DataFrame, events: pd.DataFrame) -> Array:
    after = np.zeros(len(table))
    lasting = events[events["kind"].isin(LASTING_EVENTS)]
    for site, start, until in zip(lasting["site"], lasting["from"], lasting["until"], strict=True):
        end = (start if pd.isna(until) else until) + pd.Timedelta(days=AFTER_EVENT_DAYS)
        here = np.ones(len(table), dtype=bool) if pd.isna(site) else table["site"].eq(site)
        after[np.asarray(here & (table["date"] >= start) & (table["date"] <= end))] = 1.0
    return after


def _aligned(hand: xr.Dataset | None, index: pd.Index) -> dict[str, Array]:
    if hand is None:
        return {}
    place = pd.Index(hand["bird"].to_numpy()).get_indexer(index)
    draws = {}
    for name in hand.data_vars:
        values = hand[name].transpose("draw", "bird").to_numpy()[:MOST_DRAWS].astype(float)
        draws[str(name)] = np.where(place >= 0, values[:, place], np.nan)
    return draws


def _carried(name: str) -> Callable[[Birds], Array | None]:
    def values(birds: Birds) -> Array | None:
        if name not in birds.draws:
            return None
        counts = birds.table["first_of_season"] & ~_gravid(birds.table)
        return np.where(counts.to_numpy(dtype=bool), birds.draws[name], np.nan)

    return values


def _gravid(table: pd.DataFrame) -> pd.Series:
    return table["gravid"].fillna(False).astype(bool)


def _ready(birds: Birds) -> Array | None:
    """Whether the last capture of a stay carries fuel to the next stop."""
    if birds.next_stop_km is None or "potential_range_km" not in birds.draws:
        return None
    table = birds.table
    order = table.sort_values(["date", "time"], kind="stable")
    later = order["band"].notna() & order.duplicated(["site", "season", "band"], keep="last")
    counts = (~later).reindex(table.index) & ~_gravid(table)
    reach = birds.draws["potential_range_km"]
    ready = np.where(np.isfinite(reach), reach >= birds.next_stop_km, np.nan)
    return np.where(counts.to_numpy(dtype=bool), ready, np.nan)


def _gain(birds: Birds) -> Array | None:
    """Gain of mass a day from one capture to the next of the same stay, at the first of the two."""
    table = birds.table
    usable = table[table["band"].notna() & table["mass_g"].notna() & ~_gravid(table)]
    order = usable.sort_values(["date", "time"], kind="stable")
    same = order.groupby(["site", "season", "band"])
    days = (same["date"].shift(-1) - order["date"]).dt.days
    gain = (same["mass_g"].shift(-1) - order["mass_g"]) / days
    kept = gain[(days >= 1) & (days <= LONGEST_STAY_DAYS)]
    return kept.reindex(table.index).to_numpy(dtype=float) if len(kept) else None


def _young(birds: Birds) -> Array | None:
    """1 for young, 0 for adult females, first captures; others do not count."""
    table = birds.table
    young = table["age"].eq("young")
    mother = table["age"].eq("adult") & table["sex"].eq("female")
    counts = table["first_of_season"] & (young | mother)
    return np.where(counts.fillna(False), young.astype(float), np.nan)


def _pollen(birds: Birds) -> Array | None:
    pollen = birds.table["pollen"]
    if pollen.isna().all():
        return None
    seen = ~pollen.str.strip().str.lower().isin(NO_POLLEN)
    return np.where(pollen.notna(), seen.astype(float), np.nan)


def _return(birds: Birds) -> Array | None:
    """Whether a banded adult was caught at the site in a later season; the last is censored."""
    table = birds.table
    adult = table["band"].notna() & table["first_of_season"] & table["age"].eq("adult")
    last_seen = table.groupby(["site", "band"])["season_year"].transform("max")
    last_worked = table.groupby("site")["season_year"].transform("max")
    counts = adult & (table["season_year"] < last_worked)
    if not counts.any():
        return None
    again = (last_seen > table["season_year"]).to_numpy(dtype=float)
    return np.asarray(np.where(counts, again, np.nan))


BOTH = ("local", "passage")
OUTCOMES = (
    Outcome("fuel_load", "mean", BOTH, "share of lean mass",
            "fuel at first capture is what the bird brought: a description, not support",
            _carried("fuel_load")),
    Outcome("lean_condition", "mean", BOTH, "log mass ratio", "", _carried("residual")),
    Outcome("fuel_deposition_g_per_day", "mean", BOTH, "g/day",
            "from birds that stayed and were caught again", _gain),
    Outcome("share_ready", "share", ("passage",), "share of birds", "", _ready),
    Outcome("young_per_adult", "share", ("local",), "share of young", "", _young, ages_apart=False),
    Outcome("pollen_share", "share", BOTH, "share of birds",
            "a sign of natural nectar, not of how much", _pollen),
    Outcome("return_rate", "share", ("local",), "share of birds",
            "caught again, which takes surviving, coming back and being caught", _return),
)  # fmt: skip
