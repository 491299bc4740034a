"""Season model: its coefficients, their priors, and counts laid out in padded arrays.

Every predictor of a group's curve at a site in a season is a sum of coefficients, so that the
whole model is two curves of nine predictors and an index table. Sizes are rounded up to a few
steps: studies of like size then share one compiled program.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from phenology.models.season_counts import (
    BAITED_TRAP,
    INDEPENDENT_COUNT,
    UNBAITED_NET,
    SeasonCounts,
)

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
    "skew",
)
LOCAL_LEVEL, RISE, FALL, LOG_RISE, LOG_FALL, PASSAGE_LEVEL, PEAK, LOG_WIDTH, SKEW = range(9)
BOTH = 9
DATES = (RISE, FALL, PEAK)
LEVELS = (LOCAL_LEVEL, PASSAGE_LEVEL)
SHIFTED = (*DATES, *LEVELS)  # what moves with the site-year and with drivers

COVARIATES = ("effort", "net", "count", "nectar_at_bait", "nectar_at_net")
PREDICTORS_AND_COVARIATES = BOTH + 1 + len(COVARIATES)

# Scales of half-normal priors on the standard deviations: [days] for dates, [log birds] for levels.
SCALES = {
    "local_date_site": 5.0,
    "local_date_year": 4.0,
    "local_date_site_year": 3.0,
    "passage_date_site": 5.0,
    "passage_date_year": 4.0,
    "passage_date_site_year": 3.0,
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
}


class Sizes(NamedTuple):
    """Padded sizes; equal sizes share compiled code."""

    groups: int
    sites: int
    seasons: int
    drivers: int

    @property
    def local(self) -> int:
        """Coefficients of one site-year: shifts of three dates, two levels, each group's own."""
        return len(SHIFTED) + self.groups

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


class Design(NamedTuple):
    """Counts and priors as arrays with padded shapes (a JAX pytree; sizes are kept apart).

    Rows whose `weight` is 0 are padding. `distinct` and `distinct_rows` list the different
    counts and how often each occurs: terms of the likelihood that depend on the count alone are
    computed once a distinct count. Rows of full days stand apart in the `full_` arrays.
    """

    day: Array  # (row,) from the middle of the window [days]
    covariates: Array  # (row, covariate)
    birds: Array  # (row,)
    cell: Array  # (row,) position in the flattened (group, site, season) grid
    weight: Array  # (row,)
    distinct: Array
    distinct_rows: Array
    full_day: Array
    full_covariates: Array
    full_birds: Array
    full_cell: Array
    full_weight: Array
    full_below: Array  # 0, 1, ... to the largest full count
    present: Array  # (group, site, 2): whether local, passage birds are modelled
    drivers: Array  # (site, season, driver)
    prior_mean: Array  # (shared,)
    prior_sd: Array  # (shared,); 0 where a hyperparameter sets it
    sd_index: Array  # (shared,) which hyperparameter sets it
    local_sd_index: Array  # (local,)
    log_dispersion_prior: Array  # (2,)


def local_sd_index(sizes: Sizes) -> Array:
    """Which hyperparameter is the standard deviation of each site-year coefficient."""
    names = list(SCALES)
    local, passage = names.index("local_date_site_year"), names.index("passage_date_site_year")
    level, group = names.index("level_site_year"), names.index("level_group_site_year")
    return np.array([local, local, passage, level, level] + [group] * sizes.groups)


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
        SKEW: (0.0, 0.2),
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


def padded(number: int, least: int) -> int:
    """Round up to `least` times a power of two or one and a half times it.

    Examples
    --------
    >>> [padded(number, 8) for number in (3, 9, 13, 20)]
    [8, 12, 16, 24]
    """
    size = least
    while size < number:
        size = size * 3 // 2 if size & (size - 1) == 0 else size * 4 // 3
    return size


def touched(sizes: Sizes) -> tuple[Array, Array]:
    """Shared coefficients that the counts of a site-year depend on, and through which predictor.

    Returns
    -------
    index : array of int, shape (site, season, touched)
        Position in the flat vector of shared coefficients.
    predictor : array of int, shape (group, local + touched)
        Predictor (or covariate) through which a site-year coefficient, then a touched one, acts
        on the group's counts; -1 where it does not.
    """
    at = sizes.offsets
    groups, sites, seasons, drivers = sizes
    site, season = np.meshgrid(np.arange(sites), np.arange(seasons), indexing="ij")
    columns: list[Array] = []
    acts: list[list[int]] = [
        *([predictor] * groups for predictor in SHIFTED),
        *([BOTH if group == own else -1 for group in range(groups)] for own in range(groups)),
    ]

    def touch(position: Array | int, predictors: list[int]) -> None:
        columns.append(np.broadcast_to(position, (sites, seasons)))
        acts.append(predictors)

    for own in range(groups):
        for k in range(len(PREDICTORS)):
            only = [k if group == own else -1 for group in range(groups)]
            touch(at["group"] + own * len(PREDICTORS) + k, only)
    for d, predictor in enumerate(DATES):
        touch(at["site_date"] + site * len(DATES) + d, [predictor] * groups)
        touch(at["year_date"] + season * len(DATES) + d, [predictor] * groups)
    for n, predictor in enumerate(LEVELS):
        for own in range(groups):
            only = [predictor if group == own else -1 for group in range(groups)]
            touch(at["site_level"] + (own * sites + site) * len(LEVELS) + n, only)
        touch(at["year_level"] + season * len(LEVELS) + n, [predictor] * groups)
    for q in range(len(COVARIATES)):
        touch(at["covariate"] + q, [BOTH + 1 + q] * groups)
    for r in range(drivers):
        for n, predictor in enumerate(SHIFTED):
            touch(at["driver"] + r * len(SHIFTED) + n, [predictor] * groups)
    return np.stack(columns, axis=-1), np.array(acts).T


def driver_columns(sizes: Sizes) -> int:
    """How many of the last touched coefficients are scaled by a driver."""
    return sizes.drivers * len(SHIFTED)


def design_arrays(
    counts: SeasonCounts,
    drivers: Array | None = None,
    driver_sd: Array | None = None,
    nectar_prior: tuple[float, float] | None = None,
) -> tuple[Sizes, Design]:
    """Lay counts out in padded arrays, with the priors that the window implies."""
    sizes = Sizes(
        padded(len(counts.groups), 4),
        padded(len(counts.sites), 2),
        padded(len(counts.seasons), 2),
        0 if drivers is None else padded(drivers.shape[-1], 4),
    )
    middle = (counts.first_day + counts.last_day) / 2
    full = np.asarray(counts.censored, bool) & (counts.count > 0)
    known = ~np.asarray(counts.censored, bool)  # "full with no bird" says nothing
    cell = (counts.group * sizes.sites + counts.site) * sizes.seasons + counts.season
    columns = {
        "day": counts.day - middle,
        "covariates": covariate_columns(
            counts.log_effort, counts.method, counts.log_nectar, effort_centres(counts)
        ),
        "birds": counts.count.astype(float),
        "cell": cell,
    }
    arrays: dict[str, Array] = {}
    for prefix, rows, least in (("", known, 512), ("full_", full, 8)):
        order = np.flatnonzero(rows)[np.argsort(cell[rows], kind="stable")]
        extra = padded(len(order), least) - len(order)
        for name, values in columns.items():
            fill = [(0, extra)] + [(0, 0)] * (values.ndim - 1)
            arrays[prefix + name] = np.pad(values[order], fill)
        arrays[prefix + "weight"] = np.pad(np.ones(len(order)), (0, extra))
        if order.size:
            arrays[prefix + "cell"][len(order) :] = cell[order[-1]]
    distinct, distinct_rows = np.unique(counts.count[known], return_counts=True)
    extra = padded(len(distinct), 64) - len(distinct)
    largest_full = int(counts.count[full].max(initial=0))
    mean, sd, index = shared_priors(sizes, counts.last_day - counts.first_day, driver_sd)
    if nectar_prior is not None:
        at = sizes.offsets["covariate"] + COVARIATES.index("nectar_at_bait")
        mean[at], sd[at] = nectar_prior
    present = np.zeros((sizes.groups, sizes.sites, 2), bool)
    real = np.s_[: len(counts.groups), : len(counts.sites)]
    present[(*real, 0)] = counts.site_roles != "passage"
    present[(*real, 1)] = counts.site_roles != "local"
    driven = np.zeros((sizes.sites, sizes.seasons, sizes.drivers))
    if drivers is not None:
        driven[: drivers.shape[0], : drivers.shape[1], : drivers.shape[2]] = drivers
    return sizes, Design(
        distinct=np.pad(distinct.astype(float), (0, extra)),
        distinct_rows=np.pad(distinct_rows.astype(float), (0, extra)),
        full_below=np.arange(float(padded(largest_full, 64))),
        present=present,
        drivers=driven,
        prior_mean=mean,
        prior_sd=sd,
        sd_index=index,
        local_sd_index=local_sd_index(sizes),
        log_dispersion_prior=np.array(LOG_DISPERSION_PRIOR),
        **arrays,
    )


def first_guess(counts: SeasonCounts, sizes: Sizes, prior_mean: Array) -> Array:
    """Shared coefficients from which the search for the mode starts: each group's own days."""
    guess = np.array(prior_mean)
    group_part = guess[: sizes.groups * len(PREDICTORS)].reshape(sizes.groups, -1)
    middle = (counts.first_day + counts.last_day) / 2
    for group in range(len(counts.groups)):
        rows = (counts.group == group) & (counts.count > 0)
        if not rows.any():
            continue
        day, birds = counts.day[rows] - middle, counts.count[rows]
        centre = np.average(day, weights=birds)
        spread = np.sqrt(np.average((day - centre) ** 2, weights=birds))
        group_part[group, PEAK] = centre
        group_part[group, LOG_WIDTH] = np.log(np.clip(spread, 3.0, 25.0))
        group_part[group, [RISE, FALL]] = day.min() - 5.0, day.max()
        group_part[group, list(LEVELS)] = np.log(birds.mean())
    return guess


def effort_centres(counts: SeasonCounts) -> Array:
    """Typical log effort of each method: levels are log birds a day at this effort."""
    return np.array(
        [
            counts.log_effort[counts.method == method].mean()
            if (counts.method == method).any()
            else 0.0
            for method in (BAITED_TRAP, UNBAITED_NET, INDEPENDENT_COUNT)
        ]
    )


def covariate_columns(log_effort: Array, method: Array, log_nectar: Array, centres: Array) -> Array:
    """Effort, method and nectar of each row, as the columns of `COVARIATES`."""
    return np.column_stack(
        [
            log_effort - centres[method],
            method == UNBAITED_NET,
            method == INDEPENDENT_COUNT,
            np.where(method == BAITED_TRAP, log_nectar, 0.0),
            np.where(method == UNBAITED_NET, log_nectar, 0.0),
        ]
    ).astype(float)
