"""What the season model is given: one row a sampled group, site, season and day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.models.refusal import Refused
from phenology.quantities import SPECIES_ROLES

BAITED_TRAP, UNBAITED_NET, INDEPENDENT_COUNT = 0, 1, 2
_ROW_ARRAYS = (
    "count", "group", "site", "season", "day", "log_effort", "censored", "log_nectar", "method",
    "rivals",
)  # fmt: skip
_MEASURED = ("day", "log_effort", "log_nectar", "rivals")


class BirdTraits(NamedTuple):
    """What traits say of the roles of single birds caught, one row a bird and day.

    `group`, `site` and `season` are positions as in `SeasonCounts`, `day` is the day of year,
    `log_ratio` the logarithm of how many times likelier the bird's traits are of a local than of
    a passage bird, its day apart. `bird` tells rows of one bird, which together speak about as
    loud as one. With `levels`, the position of each trait's value (row, trait; −1 where not
    noted), the frequencies of the values are learned with the season (`season_traits`), and
    `log_ratio` says no more than what is held of them beforehand.
    """

    group: npt.NDArray[Any]
    site: npt.NDArray[Any]
    season: npt.NDArray[Any]
    day: npt.NDArray[Any]
    log_ratio: npt.NDArray[Any]
    bird: npt.NDArray[Any] | None = None
    levels: npt.NDArray[Any] | None = None


@dataclass(frozen=True, eq=False)
class SeasonCounts:
    """Distinct birds a day of the groups of one species, with the days that caught none.

    Parameters
    ----------
    count : array of int, shape (row,)
        Distinct birds of the group on that site-day [birds]; zero where sampled without one.
    group, site, season : array of int, shape (row,)
        Positions in `groups`, `sites` and `seasons`.
    day : array of float, shape (row,)
        Day of the year in which the season begins [day of year]; runs past 365 when the season
        crosses New Year.
    groups, sites, seasons : tuple of str
        Labels. A site or season without rows gets a prediction.
    roles : tuple of {"local", "passage", "mixed"}, one a group
        How the group uses the sites: a fall and rise of residents, a passing pulse, or both.
    first_day, last_day : float
        The season's window [day of year]; priors and "the season's bird-days" follow it.
    log_effort : array of float, shape (row,), optional
        Natural logarithm of trap-hours, net-hours or minutes; 0 where not known.
    censored : array of bool, shape (row,), optional
        True where the day was closed because full: at least `count` birds.
    log_nectar : array of float, shape (row,), optional
        Natural logarithm of nectar on offer over the study's mean, 0 where not known.
    method : array of int, shape (row,), optional
        0 baited trap, 1 unbaited net, 2 independent count.
    rivals : array of float, shape (row,), optional
        1 where feeders other than the traps' hung near, 0 where none did or it is not known.
    seen_again : tuple of int, optional
        Of birds caught more than once in a season: on how many days between their first and last
        capture they were caught, and on how many of those days the traps worked. Tells what share
        of the birds present a day's work catches.
    drivers : mapping of str to array, shape (site, season), optional
        What may move dates and numbers (onset of the monsoon, bloom, the year), the most important
        first, in units of their own; missing where not known.
    effort_known : bool
        False where only captures tell which days were worked: the season of all years together
        is then that of captures, from each season's first to its last row.
    site_roles : array of str, shape (group, site), optional
        Roles where they differ between sites; overrides `roles`.
    traits : BirdTraits, optional
        Of birds of mixed groups: they share one likelihood with the counts.

    Raises
    ------
    Refused
        If the window is shorter than a week.
    ValueError
        If arrays differ in length, codes point past their labels or counts are negative.

    Examples
    --------
    >>> import numpy as np
    >>> counts = SeasonCounts(
    ...     count=np.array([0, 3, 1]), group=np.zeros(3, int), site=np.zeros(3, int),
    ...     season=np.zeros(3, int), day=np.array([200.0, 210.0, 220.0]),
    ...     groups=("Selasphorus rufus",), sites=("fork",), seasons=("2024",),
    ...     roles=("passage",), first_day=190.0, last_day=260.0)
    >>> int(counts.count.sum())
    4
    """

    count: npt.NDArray[Any]
    group: npt.NDArray[Any]
    site: npt.NDArray[Any]
    season: npt.NDArray[Any]
    day: npt.NDArray[Any]
    groups: tuple[str, ...]
    sites: tuple[str, ...]
    seasons: tuple[str, ...]
    roles: tuple[str, ...]
    first_day: float
    last_day: float
    log_effort: npt.NDArray[Any] = None  # type: ignore[assignment]  # an array once checked
    censored: npt.NDArray[Any] = None  # type: ignore[assignment]
    log_nectar: npt.NDArray[Any] = None  # type: ignore[assignment]
    method: npt.NDArray[Any] = None  # type: ignore[assignment]
    rivals: npt.NDArray[Any] = None  # type: ignore[assignment]
    site_roles: npt.NDArray[Any] = None  # type: ignore[assignment]
    seen_again: tuple[int, int] = (0, 0)
    effort_known: bool = True
    drivers: Mapping[str, npt.NDArray[Any]] = field(default_factory=dict)
    traits: BirdTraits | None = None

    def __post_init__(self) -> None:
        self._check_rows()
        self._check_roles()
        for name, values in self.drivers.items():
            if np.shape(values) != (len(self.sites), len(self.seasons)):
                raise ValueError(f"driver {name} must have one value a site and season")
        if not 0 <= self.seen_again[0] <= self.seen_again[1]:
            raise ValueError("seen_again: a bird cannot be caught on more days than were worked")
        if self.last_day - self.first_day < 7:
            raise Refused("the season's window is shorter than a week: no dates can be told")

    def _check_rows(self) -> None:
        rows = len(self.count)
        for name in _ROW_ARRAYS:
            given = getattr(self, name)
            kind: Any = float if name in _MEASURED else int
            values = np.zeros(rows, kind) if given is None else np.asarray(given)
            if values.shape != (rows,):
                raise ValueError(f"{name} has shape {values.shape}, not ({rows},) as count has")
            if not np.isfinite(values.astype(float)).all():
                raise ValueError(f"{name} has values that are missing or not finite")
            object.__setattr__(self, name, values.astype(bool if name == "censored" else kind))
        if self.count.min(initial=0) < 0:
            raise ValueError("count is negative in some row")
        for name, labels in (
            ("group", self.groups),
            ("site", self.sites),
            ("season", self.seasons),
            ("method", ("baited trap", "unbaited net", "independent count")),
        ):
            codes = getattr(self, name)
            if rows and not (codes.min() >= 0 and codes.max() < len(labels)):
                raise ValueError(f"{name} holds codes outside 0 to {len(labels) - 1}")

    def _check_roles(self) -> None:
        if len(self.roles) != len(self.groups):
            raise ValueError("roles must name one role a group")
        allowed = np.array(SPECIES_ROLES)
        site_roles = (
            np.repeat(np.array(self.roles, str)[:, None], len(self.sites), axis=1)
            if self.site_roles is None
            else np.asarray(self.site_roles, str)
        )
        if site_roles.shape != (len(self.groups), len(self.sites)):
            raise ValueError("site_roles must have one role a group and site")
        if not np.isin(site_roles, allowed).all():
            raise ValueError(f"a role is one of {', '.join(SPECIES_ROLES)}")
        object.__setattr__(self, "site_roles", site_roles)

    def taken(self, rows: npt.NDArray[Any]) -> SeasonCounts:
        """Some rows, under the same labels."""
        picked = {name: getattr(self, name)[rows] for name in _ROW_ARRAYS}
        return replace(self, **picked)

    def table(self) -> pd.DataFrame:
        """The rows as `forecast_rivals` takes them: labels in words, season as its number."""
        return pd.DataFrame(
            {
                "group": np.array(self.groups)[self.group],
                "site": np.array(self.sites)[self.site],
                "season": self.season,
                "day": self.day,
                "log_effort": self.log_effort,
                "count": self.count,
            }
        )


def days_sampled(counts: SeasonCounts) -> xr.DataArray:
    """Days sampled at each site in each season; (site, season)."""
    table = np.zeros((len(counts.sites), len(counts.seasons)), int)
    rows = np.unique(np.stack([counts.site, counts.season, counts.day], 1), axis=0)
    np.add.at(table, (rows[:, 0].astype(int), rows[:, 1].astype(int)), 1)
    coords = {"site": list(counts.sites), "season": list(counts.seasons)}
    return xr.DataArray(table, dims=("site", "season"), coords=coords)
