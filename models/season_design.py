"""Season model: counts laid out in padded arrays, with the priors that their window implies.

Sizes are rounded up to a few steps: studies of like size then share one compiled program.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from phenology.models.season_counts import (
    BAITED_TRAP,
    INDEPENDENT_COUNT,
    UNBAITED_NET,
    BirdTraits,
    SeasonCounts,
    days_sampled,
)
from phenology.models.season_predictors import (
    COVARIATES,
    DRIVER_PRIOR,
    FALL,
    LEVELS,
    LOG_DISPERSION_PRIOR,
    LOG_WIDTH,
    PEAK,
    PREDICTORS,
    RISE,
    SHIFTED,
    SHRUNK,
    Sizes,
    local_sd_index,
    shared_priors,
)

Array = npt.NDArray[Any]
YEARS_A_DRIVER = 8  # sampled years for each driver that is not shrunk
ROWS_A_BUNDLE = 8  # where a season's days are few
ROWS_A_LARGE_BUNDLE = 32
DAILY_ROWS = 48  # of a cell on average, from which bundles are large


class Design(NamedTuple):
    """Counts and priors as arrays with padded shapes (a JAX pytree; sizes are kept apart).

    Rows stand in bundles of one cell, 8 or 32 of them, so that sums over a cell are mostly small
    matrix products; those whose `weight` is 0 are padding. `distinct` and `distinct_rows` list the
    different counts and how often each occurs: terms of the likelihood that depend on the count
    alone are computed once a distinct count. Rows of full days stand apart in the `full_` arrays,
    birds whose traits speak of their role in the `bird_` arrays.
    """

    day: Array  # (bundle, row) from the middle of the window [days]
    covariates: Array  # (bundle, row, covariate)
    birds: Array  # (bundle, row)
    cell: Array  # (bundle,) position in the flattened (group, site, season) grid
    weight: Array  # (bundle, row)
    distinct: Array
    distinct_rows: Array
    full_day: Array
    full_covariates: Array
    full_birds: Array
    full_cell: Array
    full_weight: Array
    full_below: Array  # 0, 1, ... to the largest full count
    bird_day: Array
    bird_log_ratio: Array  # (bundle, row) of local to passage, by traits
    bird_cell: Array
    bird_weight: Array
    present: Array  # (group, site, 2): whether local, passage birds are modelled
    drivers: Array  # (site, season, driver)
    prior_mean: Array  # (shared,)
    prior_sd: Array  # (shared,); 0 where a hyperparameter sets it
    sd_index: Array  # (shared,) which hyperparameter sets it
    local_sd_index: Array  # (local,)
    log_dispersion_prior: Array  # (2,)


def padded(number: int, least: int) -> int:
    """Round up to `least` times a power of two or one and a half times it.

    Large numbers are rounded up by an eighth at most: there work costs more than compiling.

    Examples
    --------
    >>> [padded(number, 8) for number in (3, 9, 13, 20, 129)]
    [8, 12, 16, 24, 144]
    """
    if number > 16 * least:
        step = 1 << (number.bit_length() - 4)
        return -(-number // step) * step
    size = least
    while size < number:
        size = size * 3 // 2 if size & (size - 1) == 0 else size * 4 // 3
    return size


def driver_scales(counts: SeasonCounts) -> list[tuple[float, float]]:
    """Mean and standard deviation of each driver over the site-years sampled."""
    sampled = days_sampled(counts).to_numpy() > 0
    scales = []
    for values in counts.drivers.values():
        known = values[sampled & np.isfinite(values)]
        spread = float(known.std()) if known.size else 0.0
        scales.append((float(known.mean()) if known.size else 0.0, spread or 1.0))
    return scales


def driver_priors(counts: SeasonCounts) -> Array:
    """Standard deviation of each driver's slopes, (driver, moved).

    One driver for every eight sampled years keeps its room on dates, the rest are shrunk. On
    numbers all keep it: where traps are baited, numbers that follow bloom and a catch that does
    are told apart by their priors alone, and a shrunk one would settle it.
    """
    years = len(np.unique(counts.season))
    allowed = years // YEARS_A_DRIVER
    full = np.array([DRIVER_PRIOR[PREDICTORS[at]] for at in SHIFTED])
    kept = (np.arange(len(counts.drivers))[:, None] < allowed) | np.isin(SHIFTED, LEVELS)
    return np.where(kept, full, SHRUNK * full)


def design_arrays(
    counts: SeasonCounts, nectar_prior: tuple[float, float] | None = None
) -> tuple[Sizes, Design]:
    """Lay counts out in padded arrays, with the priors that the window implies."""
    number = len(counts.drivers)
    sizes = Sizes(
        padded(len(counts.groups), 2),
        padded(len(counts.sites), 2),
        padded(len(counts.seasons), 2),
        padded(number, 2) if number else 0,
    )
    middle = (counts.first_day + counts.last_day) / 2
    full = np.asarray(counts.censored, bool) & (counts.count > 0)
    known = ~np.asarray(counts.censored, bool)  # "full with no bird" says nothing
    columns = {
        "day": counts.day - middle,
        "covariates": covariate_columns(counts, effort_centres(counts)),
        "birds": counts.count.astype(float),
    }
    cell = _cells(counts, sizes)
    cells = len(np.unique(cell[known]))
    width = ROWS_A_LARGE_BUNDLE if known.sum() >= DAILY_ROWS * cells else ROWS_A_BUNDLE
    arrays = _in_bundles("", columns, cell, known, width, least=64)
    # Full days are few and their number varies: one size for most spares compiling anew.
    arrays |= _in_bundles("full_", columns, cell, full, width, least=32 if full.any() else 2)
    traits = counts.traits or BirdTraits(*np.zeros((5, 0), int))
    arrays |= bird_arrays(traits, middle, sizes, width)
    distinct, distinct_rows = np.unique(counts.count[known], return_counts=True)
    extra = padded(len(distinct), 64) - len(distinct)
    largest_full = int(counts.count[full].max(initial=0))
    mean, sd, index = shared_priors(
        sizes, counts.last_day - counts.first_day, driver_priors(counts)
    )
    if nectar_prior is not None:
        at = sizes.offsets["covariate"] + COVARIATES.index("nectar_at_bait")
        mean[at], sd[at] = nectar_prior
    present = np.zeros((sizes.groups, sizes.sites, 2), bool)
    real = np.s_[: len(counts.groups), : len(counts.sites)]
    present[(*real, 0)] = counts.site_roles != "passage"
    present[(*real, 1)] = counts.site_roles != "local"
    driven = np.zeros((sizes.sites, sizes.seasons, sizes.drivers))
    for at, ((mean_of, spread), values) in enumerate(
        zip(driver_scales(counts), counts.drivers.values(), strict=True)
    ):
        standard = np.nan_to_num((np.asarray(values, float) - mean_of) / spread)
        driven[: len(counts.sites), : len(counts.seasons), at] = standard
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


def bird_arrays(traits: BirdTraits, middle: float, sizes: Sizes, width: int) -> dict[str, Array]:
    """Birds whose traits speak of their role, in bundles."""
    every = np.ones(len(traits.day), bool)
    columns = {
        "day": traits.day - middle,
        "log_ratio": np.asarray(traits.log_ratio, float),
        "weight": every * bird_weight(traits),
    }
    return _in_bundles("bird_", columns, _cells(traits, sizes), every, width, least=2)


def bird_weight(traits: BirdTraits) -> float:
    """Weight of each row, Σn/Σn² where birds were caught on n days: they show the same n times.

    All weigh alike, for a bird that is caught often is likelier a local.
    """
    if traits.bird is None or not len(traits.bird):
        return 1.0
    days = np.unique(traits.bird, return_counts=True)[1]
    return float(days.sum() / (days**2).sum())


def _cells(rows: SeasonCounts | BirdTraits, sizes: Sizes) -> Array:
    cell: Array = (rows.group * sizes.sites + rows.site) * sizes.seasons + rows.season
    return cell


def _in_bundles(
    prefix: str, columns: dict[str, Array], cell: Array, rows: Array, width: int, least: int
) -> dict[str, Array]:
    """Some rows, sorted by cell and in bundles of `width`, with their weight, 1 unless told."""
    order = np.flatnonzero(rows)[np.argsort(cell[rows], kind="stable")]
    row, bundle_cell = _bundles(cell[order], width)
    bundles = padded(len(bundle_cell), least)
    arrays: dict[str, Array] = {}
    for name, values in ({"weight": np.ones(len(cell))} | columns).items():
        laid = np.zeros((bundles * width, *values.shape[1:]))
        laid[row] = values[order]
        arrays[prefix + name] = laid.reshape(bundles, width, *values.shape[1:])
    last = bundle_cell[-1] if len(bundle_cell) else 0
    arrays[prefix + "cell"] = np.full(bundles, last)
    arrays[prefix + "cell"][: len(bundle_cell)] = bundle_cell
    return arrays


def _bundles(cell: Array, width: int) -> tuple[Array, Array]:
    """Where rows sorted by cell stand in bundles of one cell each, and each bundle's cell."""
    cells, start, number = np.unique(cell, return_index=True, return_counts=True)
    bundles = -(-number // width)
    first = width * (np.cumsum(bundles) - bundles)
    place = np.arange(len(cell)) - np.repeat(start, number) + np.repeat(first, number)
    return place, np.repeat(cells, bundles)


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


def covariate_columns(counts: SeasonCounts, centres: Array) -> Array:
    """Effort, method, nectar and rival feeders of each row, as the columns of `COVARIATES`."""
    method = counts.method
    baited = method == BAITED_TRAP
    return np.column_stack(
        [
            counts.log_effort - centres[method],
            method == UNBAITED_NET,
            method == INDEPENDENT_COUNT,
            np.where(baited, counts.log_nectar, 0.0),
            np.where(method == UNBAITED_NET, counts.log_nectar, 0.0),
            np.where(baited, counts.rivals, 0.0),
        ]
    ).astype(float)
