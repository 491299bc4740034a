"""Counted flowers as groups of rows, a group a plant, site and season, and their parameters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.models.bloom_curve import (
    BUMPS,
    bump_slopes,
    departure_correlation,
    season_bumps,
    season_shape,
)
from phenology.models.bloom_laplace import Components, Floats, Ints, Problem

LOG_WIDTH = (np.log(20.0), 0.5)  # days of rise and fall: an inflorescence to a long bloomer
PEAK_SD_DAYS = 20.0
WARMTH_SD_DAYS = 4.0  # shift by a standard deviation of warmth: phenology moves a few days a degree
DRIVER_SD = 0.4  # change of log flowers by a standard deviation of a driver
# Spread of departures. Held: learned beside the scatter of quadrats it shrinks, and intervals
# grow too narrow.
DEPARTURE_SD = 0.35

# name: (prior scale, whether it is learned). Logs of flowers, or days where named so. A season's
# parts add up, with its departures, to about half a log unit and five days beyond what drivers
# tell: each at that scale, a season without surveys would be told far too wide.
COMPONENTS: dict[str, tuple[float, bool]] = {
    "level": (3.0, False),
    "peak_days": (PEAK_SD_DAYS, False),
    "log_rise": (LOG_WIDTH[1], False),
    "log_fall": (LOG_WIDTH[1], False),
    "bump": (0.4, False),  # the empty days of long studies would pull it up without end
    "site": (0.8, True),
    "season": (0.15, True),
    "plant_season": (0.2, True),
    "site_season": (0.15, True),
    "site_days": (6.0, True),
    "season_days": (3.0, True),
    "site_season_days": (2.0, True),
    "driver": (DRIVER_SD, False),
    "plant_driver": (DRIVER_SD / 2, False),
    "warmth_days": (WARMTH_SD_DAYS, False),
    "plant_warmth_days": (WARMTH_SD_DAYS / 2, False),
    "plant_site_days": (3.0, True),
    "plant_season_days": (1.5, True),
}
LEVELS = ("level", "site", "season", "plant_season", "site_season")
DAYS = (
    "peak_days", "site_days", "season_days", "site_season_days", "plant_site_days",
    "plant_season_days",
)  # fmt: skip


@dataclass(frozen=True)
class BloomSurveys:
    """Counted flowers, one row a plant and survey, and the sizes of the levels.

    Attributes
    ----------
    plant, site, season : ndarray of int, shape (n,)
        Codes from 0.
    day : ndarray, shape (n,)
        Day of the season [days].
    flowers : ndarray, shape (n,)
        Open flowers counted [1].
    area_m2 : ndarray, shape (n,)
        Area surveyed [m2].
    scaling : ndarray, shape (n, k)
        Drivers that scale, about 0 and of sd about 1 [1].
    warmth : ndarray, shape (n,)
        Warmth before the plant's season, about 0 and of sd about 1 [1]; one value a plant,
        site and season.
    plants, sites, seasons : int
        Numbers of levels, those without a survey as well.
    """

    plant: Ints
    site: Ints
    season: Ints
    day: Floats
    flowers: Floats
    area_m2: Floats
    scaling: Floats
    warmth: Floats
    plants: int
    sites: int
    seasons: int

    def where(self, kept: npt.NDArray[np.bool_]) -> BloomSurveys:
        """The rows marked, with the same levels."""
        return BloomSurveys(
            self.plant[kept], self.site[kept], self.season[kept], self.day[kept],
            self.flowers[kept], self.area_m2[kept], self.scaling[kept], self.warmth[kept],
            self.plants, self.sites, self.seasons,
        )  # fmt: skip


class Layout:
    """Place of every parameter in theta, by component.

    Parameters
    ----------
    surveys : BloomSurveys
        Gives the numbers of plants, sites, seasons and drivers.
    """

    def __init__(self, surveys: BloomSurveys) -> None:
        plants, sites, seasons = surveys.plants, surveys.sites, surveys.seasons
        drivers = surveys.scaling.shape[1]
        by_site, by_season = (plants, sites), (plants, seasons)
        self.shapes: dict[str, tuple[int, ...]] = {
            "level": (plants,), "peak_days": (plants,), "log_rise": (plants,),
            "log_fall": (plants,), "bump": (plants, BUMPS), "site": by_site,
            "season": (seasons,), "plant_season": by_season, "site_season": (sites, seasons),
            "site_days": (sites,), "season_days": (seasons,),
            "site_season_days": (sites, seasons), "driver": (1, drivers),
            "plant_driver": (plants, drivers), "warmth_days": (1,),
            "plant_warmth_days": (plants,), "plant_site_days": by_site,
            "plant_season_days": by_season,
        }  # fmt: skip
        self.sizes = [int(np.prod(shape)) for shape in self.shapes.values()]
        ends = np.cumsum(self.sizes)
        starts = (ends - np.array(self.sizes)).tolist()
        self.start: dict[str, int] = dict(zip(self.shapes, starts, strict=True))
        self.size = int(ends[-1])

    def block(self, theta: Floats, name: str) -> Floats:
        """The parameters of a component (shape, draws) out of draws (p, draws)."""
        start, shape = self.start[name], self.shapes[name]
        return theta[start : start + int(np.prod(shape))].reshape(*shape, theta.shape[1])

    def sum_at(
        self, theta: Floats, names: tuple[str, ...], site: int, season: int | None
    ) -> Floats:
        """What components add at a site in a season, (plants, draws); 0 for no season's effects."""
        total = np.zeros((self.shapes["level"][0], theta.shape[1]))
        for name in names:
            block = self.block(theta, name)
            if "season" in name:
                if season is None:
                    continue
                block = block[..., season, :]
            if "site" in name:
                block = np.take(block, site, axis=-2)
            total = total + block
        return total

    def columns(self, plant: Ints, site: Ints, season: Ints) -> Ints:
        """Parameters that the rows of each group touch, shape (g, k)."""
        start, shapes = self.start, self.shapes
        sites, seasons = shapes["site_season"]
        drivers = np.arange(shapes["driver"][1])
        place = {
            "level": plant, "peak_days": plant, "log_rise": plant, "log_fall": plant,
            "site": plant * sites + site, "season": season, "site_days": site,
            "plant_season": plant * seasons + season, "site_season": site * seasons + season,
            "season_days": season, "site_season_days": site * seasons + season,
            "plant_site_days": plant * sites + site, "plant_season_days": plant * seasons + season,
            "warmth_days": np.zeros_like(plant), "plant_warmth_days": plant,
        }  # fmt: skip
        single = (*LEVELS, *DAYS, "warmth_days", "plant_warmth_days", "log_rise", "log_fall")
        return np.column_stack(
            [
                *(start[name] + place[name] for name in single),
                start["bump"] + plant[:, None] * BUMPS + np.arange(BUMPS),
                np.broadcast_to(start["driver"] + drivers, (len(plant), len(drivers))),
                start["plant_driver"] + plant[:, None] * len(drivers) + drivers,
            ]
        ).astype(np.int64)


class GroupedRows:
    """Surveys in groups padded to one length, ready to be fitted.

    Parameters
    ----------
    surveys : BloomSurveys
    layout : Layout

    Attributes
    ----------
    number : dict
        Group of each (plant, site, season) that was surveyed.
    rows : list of ndarray of int
        Rows of each group among the surveys.
    """

    def __init__(self, surveys: BloomSurveys, layout: Layout) -> None:
        key = (surveys.plant * surveys.sites + surveys.site) * surveys.seasons + surveys.season
        keys, first, group = np.unique(key, return_index=True, return_inverse=True)
        self.rows = [np.flatnonzero(group == one).astype(np.int64) for one in range(len(keys))]
        self.number = {int(one): place for place, one in enumerate(keys)}
        longest = max(len(rows) for rows in self.rows)
        at = np.zeros((len(keys), longest), dtype=np.int64)
        self.known = np.zeros(at.shape, dtype=bool)
        self.root = np.zeros((len(keys), longest, longest))
        for place, rows in enumerate(self.rows):
            day, size = surveys.day[rows], len(rows)
            at[place, :size], self.known[place, :size] = rows, True
            correlation = departure_correlation(day, day) + 1e-6 * np.eye(size)
            self.root[place, :size, :size] = np.linalg.cholesky(correlation)
        self.day, self.scaling = surveys.day[at], surveys.scaling[at]
        self.warmth = surveys.warmth[first][:, None]
        self.columns = layout.columns(
            surveys.plant[first], surveys.site[first], surveys.season[first]
        )
        self.problem = Problem(
            self.predict,
            self.columns,
            self.root,
            DEPARTURE_SD,
            np.where(self.known, surveys.flowers[at], 0.0),
            np.where(self.known, np.log(surveys.area_m2)[at], 0.0),
            self.known,
            _components(surveys, layout, self.columns),
        )

    def predict(self, theta: Floats) -> tuple[Floats, Floats]:
        """Log density of the rows (g, m), departures aside, and its Jacobian (g, m, k)."""
        value = theta[self.columns][:, None, :]
        ends = np.cumsum([len(LEVELS), len(DAYS), 2, 1, 1, BUMPS, self.scaling.shape[2]])
        level, later, by_warmth, rise, fall, own, common, plants = np.split(value, ends, axis=2)
        tau = self.day - later.sum(axis=2) - by_warmth.sum(axis=2) * self.warmth
        shape, slope, by_width = season_shape(tau, rise[..., 0], fall[..., 0])
        in_front = season_bumps(tau)
        bumps, slopes = (
            np.moveaxis(part, 0, -1) for part in (in_front, bump_slopes(tau, in_front))
        )
        slope = slope + (own * slopes).sum(axis=2)
        eta = level.sum(axis=2) + shape + (own * bumps).sum(axis=2)
        eta = eta + ((common + plants) * self.scaling).sum(axis=2)
        jacobian = np.concatenate(
            [
                np.ones((*tau.shape, len(LEVELS))),
                np.repeat(-slope[..., None], len(DAYS), axis=2),
                np.repeat((-slope * self.warmth)[..., None], 2, axis=2),
                np.where(tau < 0, by_width, 0.0)[..., None],
                np.where(tau < 0, 0.0, by_width)[..., None],
                bumps,
                self.scaling,
                self.scaling,
            ],
            axis=2,
        )
        return eta, jacobian


def _components(surveys: BloomSurveys, layout: Layout, columns: Ints) -> Components:
    """Prior means from the surveys' own peaks, and which component each parameter is of."""
    mean = np.zeros(layout.size)
    density = (surveys.flowers + 0.1) / surveys.area_m2
    for plant in range(surveys.plants):
        rows = surveys.plant == plant
        weight, day = density[rows], surveys.day[rows]
        mean[layout.start["level"] + plant] = np.log(weight.max()) if rows.any() else 0.0
        mean[layout.start["peak_days"] + plant] = (
            np.average(day, weights=weight) if rows.any() else surveys.day.mean()
        )
    for name in ("log_rise", "log_fall"):
        start = layout.start[name]
        mean[start : start + surveys.plants] = LOG_WIDTH[0]
    taught = np.zeros(layout.size, dtype=bool)
    taught[columns.ravel()] = True
    scale, learned = (np.array(part) for part in zip(*COMPONENTS.values(), strict=True))
    member = np.repeat(np.arange(len(layout.sizes)), layout.sizes)
    return Components(mean, member, scale, learned, taught)
