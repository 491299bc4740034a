"""Each bird's mass parted into lean mass, fuel and meal, given draws of the parameters.

With r the residual of a capture from its class, of variance S² + (κ F)² + N over a tail weight w,

    r = u + v + n,    u ~ N(0, ρ S² + W),    v ~ N(0, (1 − ρ) S² + (κ F)²),    n ~ N(0, N),

u stays with the bird whenever it is caught and is lean mass (W: what is not known of its wing), v
is fuel that the class does not tell, n is what is not known of the meal and the rounding. The
repeatability ρ is learned from birds weighed more than once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Sequence

    from phenology.models.lean_mass_likelihood import Rows

Array = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

# A priori neither all nor nothing of the scatter at one fat class stays with the bird: Beta(2, 2).
_GRID = np.linspace(0.025, 0.975, 20)
_LOG_PRIOR = np.log(_GRID) + np.log1p(-_GRID)


class Residuals(NamedTuple):
    """Drawn residuals of captures and their parts; (draw, capture) each."""

    lean_location: Array  # expected log lean mass of the bird's size and group
    log_fuel: Array  # of its class and hour
    residual: Array
    fuel_variance: Array  # (κ F)², and what is not known of the hour
    other_variance: Array  # N
    wing_variance: Array  # W
    weight: Array  # w


def parts_by_bird(bird: Places, most: int) -> tuple[list[Places], list[Places]]:
    """Captures of birds caught again, and of those caught once, in parts of whole birds.

    Parameters
    ----------
    bird : array of int, (capture,)
        Which bird each capture is of.
    most : int
        Captures of a part; a bird caught oftener is a part of its own.

    Examples
    --------
    >>> again, once = parts_by_bird(np.array([0, 1, 0, 2, 3, 3, 4]), most=2)
    >>> [part.tolist() for part in again], [part.tolist() for part in once]
    ([[0, 2], [4, 5]], [[1, 3], [6]])
    """
    order = np.argsort(bird, kind="stable")
    often = np.bincount(bird)[bird[order]] > 1
    parts = []
    for captures in (order[often], order[~often]):
        starts = np.flatnonzero(np.diff(bird[captures], prepend=-1))
        ends = np.append(starts, len(captures))[1:]
        cuts, begin = [], 0
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
            if end - begin > most and start > begin:
                cuts.append(start)
                begin = start
        parts.append([part for part in np.split(captures, cuts) if len(part)])
    return parts[0], parts[1]


def draw_residuals(
    rows: Rows, part: Places, local: Array, phi: Array, rng: np.random.Generator
) -> Residuals:
    """Draw true class, place in the rounding interval and tail weight of captures."""
    exponent = local[..., 2] + local[..., 3]
    effects = local[..., 4:8]
    fuel = class_log_fuel(local)
    lean_location = local[..., 0] + local[..., 1] + exponent * rows.log_wing[part]
    by_hour = effects[..., 0] * rows.covariate[part][..., 0]
    meal = (effects[..., 1:] * rows.covariate[part][..., 1:]).sum(-1)  # carried, but not as fuel
    wing = exponent**2 * rows.wing_variance[part]
    doubt = effects**2 * rows.covariate_variance[part]
    other = doubt[..., 1:].sum(-1) + rows.rounding_variance[part]
    scatter = np.exp(2 * phi[:, 1, None, None]) * fuel**2 + doubt[..., :1]
    scale = np.sqrt((np.exp(2 * phi[:, :1]) + wing + other)[..., None] + scatter)
    tail = 2 + np.exp(phi[:, 2])[:, None]
    misread = (1 / (1 + np.exp(-phi[:, 4])))[:, None, None]
    reading = rows.read[part] * (1 - misread * rows.exits) + rows.near[part] * misread / 2
    location = (lean_location + by_hour + meal)[..., None] + fuel
    standard = (rows.log_mass[part][:, :, None] - location[:, :, None]) / scale[:, :, None]
    log_weight = (
        np.log(rows.prevalence[part] * reading + 1e-12)[:, :, None]
        + np.log(rows.node_weight[part])[..., None]
        - np.log(scale)[:, :, None]
        - (tail[..., None, None] + 1) / 2 * np.log1p(standard**2 / tail[..., None, None])
    )
    shape = log_weight.shape
    chosen = (log_weight + rng.gumbel(size=shape)).reshape(*shape[:2], -1).argmax(-1)
    node, fat_class = chosen // shape[3], chosen % shape[3]

    def taken(values: Array) -> Array:
        return np.take_along_axis(values, fat_class[..., None], axis=-1)[..., 0]

    log_mass = np.take_along_axis(
        np.broadcast_to(rows.log_mass[part], shape[:3]), node[..., None], axis=-1
    )[..., 0]
    residual = log_mass - taken(location)
    rate = (tail + (residual / taken(scale)) ** 2) / 2
    weight = rng.gamma((tail + 1) / 2, size=rate.shape) / rate
    return Residuals(
        lean_location, taken(fuel) + by_hour, residual, taken(scatter), other, wing, weight
    )


def draw_repeatability(
    drawn: Sequence[Residuals], bird: Sequence[Places], scatter: Array, rng: np.random.Generator
) -> Array:
    """Draw the repeatability ρ for each draw of the parameters, shape (draw,).

    Parameters
    ----------
    drawn : sequence of Residuals
        Of birds caught several times, in parts of whole birds.
    bird : sequence of array of int, (capture,)
        Which bird each capture of a part is of; sorted.
    scatter : array, (draw,)
        S², the variance of log mass at the lowest class.

    References
    ----------
    Lessells, C. M. & Boag, P. T. (1987), Auk 104:116, doi:10.2307/4087240, on repeatability.
    """
    log_density = np.tile(_LOG_PRIOR, (scatter.size, 1))
    for part, of_part in zip(drawn, bird, strict=True):
        first = np.flatnonzero(np.diff(of_part, prepend=-1))
        for place, share in enumerate(_GRID):
            log_density[:, place] += _log_density(part, first, share, scatter[:, None])
    chosen = (log_density + rng.gumbel(size=log_density.shape)).argmax(axis=1)
    return np.asarray(_GRID[chosen] + rng.uniform(-0.025, 0.025, scatter.size))


def _log_density(drawn: Residuals, first: Places, share: float, scatter: Array) -> Array:
    """Log density of the residuals of birds caught several times, sorted by bird."""
    precision, pull, lean = _sums(drawn, first, share, scatter)
    apart = _apart(drawn, share, scatter)
    alone = (np.log(apart) + drawn.residual**2 / apart).sum(axis=1)
    together = np.log1p(lean * precision) - pull**2 / (1 / lean + precision)
    return np.asarray(-0.5 * (alone + together.sum(axis=1)))


def _apart(drawn: Residuals, share: float | Array, scatter: Array) -> Array:
    """Variance of what a bird does not share with its other captures."""
    varies = (1 - share) * scatter + drawn.fuel_variance + drawn.other_variance
    return np.asarray(varies / drawn.weight)


def _sums(
    drawn: Residuals, first: Places, share: float | Array, scatter: Array
) -> tuple[Array, Array, Array]:
    """By bird: precision and weighted residual of its captures, and variance of its lean mass."""
    apart = _apart(drawn, share, scatter)
    precision = np.add.reduceat(1 / apart, first, axis=1)
    pull = np.add.reduceat(drawn.residual / apart, first, axis=1)
    count = np.diff(np.append(first, apart.shape[1]))
    weight = np.add.reduceat(drawn.weight, first, axis=1) / count
    wing = np.add.reduceat(drawn.wing_variance, first, axis=1) / count
    return precision, pull, (share * scatter + wing) / weight


def part_mass(
    drawn: Residuals, bird: Places, share: Array, scatter: Array, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Lean mass [g] and fuel load of each capture, (draw, capture); a bird's captures together.

    Parameters
    ----------
    drawn : Residuals
    bird : array of int, (capture,)
        Which bird each capture is of, sorted; a bird keeps what sets its lean mass apart.
    share, scatter : array, (draw,)
        ρ and S².
    rng : Generator
    """
    starts = np.diff(bird, prepend=-1) != 0
    rho, total = share[:, None], scatter[:, None]
    precision, pull, lean = _sums(drawn, np.flatnonzero(starts), rho, total)
    variance = 1 / (1 / lean + precision)
    apart = variance * pull + np.sqrt(variance) * rng.standard_normal(pull.shape)
    of_capture = np.cumsum(starts) - 1
    structure = apart[:, of_capture]
    fuel_variance = (1 - rho) * total + drawn.fuel_variance
    pulled = fuel_variance / (fuel_variance + drawn.other_variance)
    spread = np.sqrt(pulled * drawn.other_variance / drawn.weight)
    fuel = pulled * (drawn.residual - structure) + spread * rng.standard_normal(spread.shape)
    return np.exp(drawn.lean_location + structure), np.expm1(drawn.log_fuel + fuel)


def class_log_fuel(local: Array) -> Array:
    """`lean_mass_likelihood.class_fuel` for arrays of any leading shape."""
    steps = local[..., 10:]
    lowest = np.zeros((*local.shape[:-1], 1))
    if steps.shape[-1] == 0:
        return lowest
    rises = np.exp(local[..., 8:9] + steps + local[..., 9:10]) / steps.shape[-1]
    return np.concatenate([lowest, np.cumsum(rises, axis=-1)], axis=-1)
