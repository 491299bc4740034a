"""Stopover: how long passage birds stay, where daily captures can tell it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenology.models.refusal import Refused

if TYPE_CHECKING:
    import xarray as xr

    from phenology.estimates import Estimates
    from phenology.models.stopover import StayDraws
    from phenology.seasons import Window

NOTE = "a long stay is no sign of a good site: poor sites have long stays too"
LEFT_NOTE = "from a capture at any time of the stay; all sites and seasons together"
RESIDENT_NOTE = "residents are told by their stay alone; where few stay long it is mostly assumed"
LEFT_DRAWS, LEFT_BIRDS = 400, 1000


def assess_stopover(
    captures: pd.DataFrame,
    roles: pd.Series[str],
    site_days: xr.Dataset,
    seasons: pd.Series[str],
    windows: tuple[Window, ...],
    answers: Estimates,
    seed: int,
) -> dict[str, StayDraws]:
    """Fit entry and stay at each site and season to the daily captures of each species.

    Parameters
    ----------
    captures : DataFrame
        Clean captures.
    roles, seasons : Series
        Role that study.toml states, and season label, of each capture. Species that only breed
        at a site are passed over.
    site_days : Dataset
        effort_hours on (site, date, bait).
    windows : tuple of Window
    answers : Estimates
        Gains stopover_days of passage birds and of residents, by site and season, or a refusal
        for each site and species; and days_to_departure of each species' passage birds.
    seed : int

    Returns
    -------
    dict
        Draws of the stay of passage birds, by species, all sites and seasons together.
    """
    from phenology.models.stopover import FEWEST_SEEN_AGAIN

    effort = site_days["effort_hours"].sum("bait").transpose("site", "date").to_pandas()
    banded = captures.assign(season=seasons)[captures["band"].notna() & (roles != "local")]
    stays: dict[str, list[tuple[StayDraws, float]]] = {}
    for (site, species), birds in banded.groupby(["site", "species"]):
        again = birds.groupby(["season", "band"])["date"].nunique().gt(1).groupby("season").sum()
        enough = again.index[again >= FEWEST_SEEN_AGAIN]
        refusals = []
        for season in enough:
            of_season = birds[birds["season"] == season]
            try:
                stay = _fit_season(of_season, effort.loc[site], windows, answers, seed)
            except Refused as reason:
                refusals.append(f"{season}: {reason}")
                continue
            stays.setdefault(str(species), []).append(stay)
        if len(refusals) == len(enough):
            told = "; ".join(refusals) or (
                f"at most {again.max()} birds of a season were seen on more than one day; "
                f"a stay needs {FEWEST_SEEN_AGAIN}"
            )
            number = birds["band"].nunique()
            answers.refuse("stopover_days", told, birds=number, site=site, group=species)
    return _pool_stays(stays, banded, answers, seed)


def _pool_stays(
    stays: dict[str, list[tuple[StayDraws, float]]],
    banded: pd.DataFrame,
    answers: Estimates,
    seed: int,
) -> dict[str, StayDraws]:
    """Stays of each species, all sites and seasons together, and the days left at a capture.

    `stays` holds, by species, the draws of each season and how much its captures taught of them.
    """
    from phenology.models.stopover import StayDraws, draw_remaining_days

    rng = np.random.default_rng(seed)
    pooled = {}
    for species, seasons in stays.items():
        draws, learned = zip(*seasons, strict=True)
        stay = StayDraws(*(np.concatenate(alike) for alike in zip(*draws, strict=True)))
        pooled[species] = stay
        own = float(np.mean(learned))
        left = draw_remaining_days(stay, (LEFT_DRAWS, LEFT_BIRDS), rng).mean(axis=1)
        birds = banded.loc[banded["species"] == species, "band"].nunique()
        answers.add("days_to_departure", left, birds=birds, shares=(own, 0.0, 1 - own),
                    basis="measured" if own >= 0.5 else "assumed", note=LEFT_NOTE,
                    group=species, role="passage")  # fmt: skip
    return pooled


def _fit_season(
    birds: pd.DataFrame,
    effort: pd.Series[float],
    windows: tuple[Window, ...],
    answers: Estimates,
    seed: int,
) -> tuple[StayDraws, float]:
    from phenology.models.stopover import StayDraws, fit_stopover

    days = _days_of_season(birds["date"].iloc[0], windows)
    hours = effort.reindex(days).fillna(0.0).to_numpy(dtype=float, copy=True)
    bird, bands = pd.factorize(birds["band"])
    caught = np.zeros((len(bands), len(days)), dtype=bool)
    place = days.get_indexer(pd.DatetimeIndex(birds["date"]))
    caught[bird[place >= 0], place[place >= 0]] = True
    unmeasured = caught.any(axis=0) & (hours == 0)
    hours[unmeasured] = np.median(hours[hours > 0]) if (hours > 0).any() else 1.0
    fit = fit_stopover(caught[caught.any(axis=1)], hours, seed=seed)
    key = {name: str(birds[name].iloc[0]) for name in ("site", "season")}
    share = fit.table.set_index("quantity")["learned"].clip(0.0, 1.0)
    for role, name, note in (
        ("passage", "passage_stay_days", NOTE),
        ("local", "resident_stay_days", RESIDENT_NOTE),
    ):
        learned = float(share["passage stay" if role == "passage" else "resident stay"])
        answers.add(
            "stopover_days",
            fit.draws[name].to_numpy(),
            birds=len(bands),
            basis="measured" if learned >= 0.5 else "assumed",
            shares=(learned, 0.0, 1 - learned),
            note=note,
            group=birds["species"].iloc[0],
            role=role,
            **key,
        )
    stay = StayDraws(*(fit.draws[name].to_numpy() for name in ("passage_stay_days", "stay_shape")))
    return stay, float(share["passage stay"])


def _days_of_season(day: pd.Timestamp, windows: tuple[Window, ...]) -> pd.DatetimeIndex:
    """All days of the season that a date belongs to."""
    for window in windows:
        placed = window.place(pd.DatetimeIndex([day])).iloc[0]
        if placed["inside"]:
            start = pd.Timestamp(int(placed["season"]), 1, 1)
            first, last = (start + pd.Timedelta(days=int(of) - 1)
                           for of in (window.first_day, window.last_day))  # fmt: skip
            return pd.date_range(first, last)
    return pd.date_range(f"{day.year}-01-01", f"{day.year}-12-31")
