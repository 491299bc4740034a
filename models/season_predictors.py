"""Season model: what its coefficients are called, which predictors they move, and their priors.

Every predictor of a group's curve at a site in a season is a sum of coefficients, so that the
whole model is two curves of nine predictors and an index table.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

# Predictors of one group's curve, in order; BOTH moves local and passage birds together.
PREDICTORS = (
    "local_level",
    "rise",
    "fall",
    "log_rise_scale",
    "log_fall_scale",
    "passage_level",
    "peak",
    "log_width",
    "tail",
)
LOCAL_LEVEL, RISE, FALL, LOG_RISE, LOG_FALL, PASSAGE_LEVEL, PEAK, LOG_WIDTH, TAIL = range(9)
BOTH = 9
DATES = (RISE, FALL, PEAK)
LEVELS = (LOCAL_LEVEL, PASSAGE_LEVEL)
SHIFTED = (*DATES, *LEVELS)  # what moves with the site-year and with drivers
OF_GROUP = (BOTH, FALL, TAIL)  # what moves with each group's own site-year

COVARIATES = ("effort", "net", "count", "nectar_at_bait", "nectar_at_net", "rivals_at_bait")
PREDICTORS_AND_COVARIATES = BOTH + 1 + len(COVARIATES)

# Scales of half-normal priors on the standard deviations: [days] for dates, [log birds] for levels,
# [log ratio of the widths after and before the peak] for the tail.
SCALES = {
    "local_date_site": 5.0,
    "local_date_year": 4.0,
    "local_date_site_year": 3.0,
    "local_fall_group_site_year": 4.0,
    "passage_date_site": 5.0,
    "passage_date_year": 4.0,
    "passage_date_site_year": 3.0,
    "passage_tail_group_site_year": 0.3,
    "level_site": 1.0,
    "level_year": 0.7,
    "level_site_year": 0.7,
    "level_group_site_year": 0.5,
}
HYPER = (*(f"log_{name}" for name in SCALES), "log_dispersion")
LOG_DISPERSION_PRIOR = (1.0, 1.0)
COVARIATE_PRIOR = {  # mean and standard deviation, log birds per unit
    "effort": (1.0, 0.2),
    "net": (0.0, 2.0),
    "count": (0.0, 2.0),
    "nectar_at_bait": (-0.4, 0.3),
    "nectar_at_net": (0.0, 0.1),
    "rivals_at_bait": (-0.2, 0.3),
}
DRIVER_PRIOR = {  # standard deviation per standard deviation of a driver
    "rise": 3.0,
    "fall": 3.0,
    "peak": 0.5,  # passage dates are set far away
    "local_level": 0.3,
    "passage_level": 0.3,
}
SHRUNK = 0.2  # factor on that of drivers beyond those that the years allow


class Sizes(NamedTuple):
    """Padded sizes; equal sizes share compiled code."""

    groups: int
    sites: int
    seasons: int
    drivers: int

    @property
    def local(self) -> int:
        """Coefficients of one site-year: shifts of three dates, two levels, each group's own."""
        return len(SHIFTED) + len(OF_GROUP) * self.groups

    @property
    def parts(self) -> dict[str, tuple[int, ...]]:
        """Shapes of the shared coefficients, in their order in the flat vector."""
        return {
            "group": (self.groups, len(PREDICTORS)),
            "site_date": (self.sites, len(DATES)),
            "year_date": (self.seasons, len(DATES)),
            "site_level": (self.groups, self.sites, len(LEVELS)),
            "year_level": (self.seasons, len(LEVELS)),
            "covariate": (len(COVARIATES),),
            "driver": (self.drivers, len(SHIFTED)),
        }

    @property
    def offsets(self) -> dict[str, int]:
        """Where each part starts in the flat vector of shared coefficients."""
        lengths = [int(np.prod(shape)) for shape in self.parts.values()]
        return dict(zip(self.parts, np.cumsum([0, *lengths[:-1]]).tolist(), strict=True))

    @property
    def shared(self) -> int:
        """Number of shared coefficients."""
        return sum(int(np.prod(shape)) for shape in self.parts.values())


def placement() -> Array:
    """Which predictor each of `SHIFTED` and `OF_GROUP` moves, as a matrix of zeros and ones."""
    place = np.zeros((len(SHIFTED) + len(OF_GROUP), BOTH + 1))
    place[np.arange(len(place)), [*SHIFTED, *OF_GROUP]] = 1.0
    return place


def local_sd_index(sizes: Sizes) -> Array:
    """Which hyperparameter is the standard deviation of each site-year coefficient."""
    shifts = ["local_date", "local_date", "passage_date", "level", "level"]
    own = ["level_group", "local_fall_group", "passage_tail_group"]
    names = shifts + [name for name in own for _ in range(sizes.groups)]
    return np.array([list(SCALES).index(f"{name}_site_year") for name in names])


def shared_priors(
    sizes: Sizes, window_days: float, driver_sd: Array | None = None
) -> tuple[Array, Array, Array]:
    """Mean, standard deviation and hyperparameter index of the shared coefficients.

    Dates are relative to the middle of the window and spread over it; nothing follows the
    calendar. Levels are log birds a day at typical effort.
    """
    names = list(SCALES)
    mean = {part: np.zeros(shape) for part, shape in sizes.parts.items()}
    sd = {part: np.zeros(shape) for part, shape in sizes.parts.items()}
    index = {part: np.zeros(shape, int) for part, shape in sizes.parts.items()}
    quarter = window_days / 4
    for predictor, (centre, spread) in {
        LOCAL_LEVEL: (0.0, 2.0),
        RISE: (-quarter, quarter),
        FALL: (quarter, quarter),
        LOG_RISE: (np.log(4.0), 0.5),
        LOG_FALL: (np.log(5.0), 0.5),
        PASSAGE_LEVEL: (0.0, 2.0),
        PEAK: (0.0, quarter),
        LOG_WIDTH: (np.log(10.0), 0.4),
        TAIL: (0.0, 0.4),
    }.items():
        mean["group"][:, predictor], sd["group"][:, predictor] = centre, spread
    for part, level in (("site", "site"), ("year", "year")):
        kinds = [f"local_date_{level}", f"local_date_{level}", f"passage_date_{level}"]
        index[f"{part}_date"][:] = [names.index(kind) for kind in kinds]
        index[f"{part}_level"][:] = names.index(f"level_{level}")
    mean["covariate"][:], sd["covariate"][:] = np.array(
        [COVARIATE_PRIOR[name] for name in COVARIATES]
    ).T
    if driver_sd is not None:
        sd["driver"][: len(driver_sd)] = driver_sd
    sd["driver"][sd["driver"] == 0] = 1e-3  # a driver that may not act on this predictor
    flat = [np.concatenate([part.ravel() for part in each.values()]) for each in (mean, sd, index)]
    return flat[0], flat[1], flat[2]


def touched(sizes: Sizes) -> tuple[Array, Array]:
    """Shared coefficients that the counts of a site-year depend on, and through which predictor.

    Returns
    -------
    index : array of int, shape (site, season, touched)
        Position in the flat vector of shared coefficients; in the order of `touched_kinds`.
    predictor : array of int, shape (group, local + touched)
        Predictor (or covariate) through which a site-year coefficient, then a touched one, acts
        on the group's counts; -1 where it does not.
    """
    at = sizes.offsets
    groups, sites, seasons, drivers = sizes
    site, season = np.meshgrid(np.arange(sites), np.arange(seasons), indexing="ij")
    columns: list[Array] = []

    def only(predictor: int, own: int) -> list[int]:
        return [predictor if group == own else -1 for group in range(groups)]

    acts: list[list[int]] = [
        *([predictor] * groups for predictor in SHIFTED),
        *(only(predictor, own) for predictor in OF_GROUP for own in range(groups)),
    ]

    def touch(position: Array | int, predictors: list[int]) -> None:
        columns.append(np.broadcast_to(position, (sites, seasons)))
        acts.append(predictors)

    for d, predictor in enumerate(DATES):
        touch(at["year_date"] + season * len(DATES) + d, [predictor] * groups)
    for n, predictor in enumerate(LEVELS):
        touch(at["year_level"] + season * len(LEVELS) + n, [predictor] * groups)
    for own in range(groups):
        for k in range(len(PREDICTORS)):
            touch(at["group"] + own * len(PREDICTORS) + k, only(k, own))
    for q in range(len(COVARIATES)):
        touch(at["covariate"] + q, [BOTH + 1 + q] * groups)
    for r in range(drivers):
        for n, predictor in enumerate(SHIFTED):
            touch(at["driver"] + r * len(SHIFTED) + n, [predictor] * groups)
    for d, predictor in enumerate(DATES):
        touch(at["site_date"] + site * len(DATES) + d, [predictor] * groups)
    for n, predictor in enumerate(LEVELS):
        for own in range(groups):
            position = at["site_level"] + (own * sites + site) * len(LEVELS) + n
            touch(position, only(predictor, own))
    return np.stack(columns, axis=-1), np.array(acts).T


class TouchedKinds(NamedTuple):
    """How many touched coefficients are a season's, of all site-years, and a site's, in order."""

    season: int
    fixed: int
    site: int
    driven: int  # of the fixed, the last that a driver scales


def touched_kinds(sizes: Sizes) -> TouchedKinds:
    """Number of touched coefficients of each kind."""
    driven = sizes.drivers * len(SHIFTED)
    fixed = sizes.groups * len(PREDICTORS) + len(COVARIATES) + driven
    by_season = len(DATES) + len(LEVELS)
    return TouchedKinds(by_season, fixed, len(DATES) + len(LEVELS) * sizes.groups, driven)
