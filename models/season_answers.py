"""Dates, numbers and curves of a season, from draws of the season model's coefficients."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from phenology.models.season_curves import log_plateau, log_pulse
from phenology.models.season_density import Coefficients, cell_predictors
from phenology.models.season_predictors import (
    BOTH,
    FALL,
    LEVELS,
    RISE,
    Sizes,
)

Array = npt.NDArray[Any]
DATE_NAMES = ("arrival_day", "peak_day", "departure_day")
SHARES_PASSED = (0.05, 0.95)  # of a pulse's bird-days, at arrival and departure
SMOOTHED_DAYS = 7  # over which birds present are averaged before their top is looked for
LOCAL, PASSAGE = 0, 1


def predictors_of_site(
    drawn: Coefficients, drivers: Array, sizes: Sizes, site: int
) -> tuple[Array, Array]:
    """Predictors of every curve of a site, in its season and in the site's typical season.

    Returns
    -------
    in_season, typical : arrays, shape (draw, group, season, predictor)
        The typical season has the site's own coefficients and no shift of the year.
    """
    here = slice(site, site + 1)
    shared = np.array(drawn.shared)
    in_season = cell_predictors(Coefficients(shared, drawn.local), drivers, sizes, np, here)
    for part in ("year_date", "year_level"):
        start = sizes.offsets[part]
        shared[..., start : start + int(np.prod(sizes.parts[part]))] = 0.0
    nothing = Coefficients(shared, np.zeros_like(drawn.local))
    typical = cell_predictors(nothing, np.zeros_like(drivers), sizes, np, here)
    return in_season[..., 0, :, :], typical[..., 0, :, :]


def birds_a_day(predictors: Array, days: Array, role: int) -> Array:
    """Expected birds of a role a day at typical effort; shape (..., day)."""
    lifted = predictors[..., None, :]
    log_curve = (log_plateau, log_pulse)[role](days, lifted, np)
    return np.asarray(np.exp(lifted[..., BOTH] + log_curve))


def shares_passed(birds: Array, days: Array) -> Array:
    """Days by which 5 % and 95 % of bird-days have passed; shape (..., 2).

    Between grid days by the trapezoidal rule.
    """
    passed = np.cumsum(birds, -1, dtype=float)
    passed -= (birds + birds[..., :1]) / 2
    total = np.maximum(passed[..., -1:], 1e-300)
    found = []
    for share in SHARES_PASSED:
        after = np.clip((passed < share * total).sum(-1), 1, len(days) - 1)[..., None]
        low = (np.take_along_axis(passed, after - 1, -1) / total)[..., 0]
        high = (np.take_along_axis(passed, after, -1) / total)[..., 0]
        part = np.minimum((share - low) / np.maximum(high - low, 1e-12), 1.0)
        found.append(days[after[..., 0] - 1] + part * (days[1] - days[0]))
    return np.stack(found, -1)


def top_of(birds: Array, days: Array) -> Array:
    """Day of the maximum, refined by a parabola through its neighbours."""
    log_curve = np.log(birds + 1e-300)
    top = np.clip(log_curve.argmax(-1), 1, len(days) - 2)[..., None]
    before, at, after = (
        np.take_along_axis(log_curve, top + step, -1)[..., 0] for step in (-1, 0, 1)
    )
    bend = np.minimum(before - 2 * at + after, -1e-9)
    step = np.clip(0.5 * (before - after) / bend, -1.0, 1.0)
    return np.asarray(days[top[..., 0]] + step * (days[1] - days[0]))


def half_of_most(birds: Array, days: Array) -> Array:
    """First and last day on which half of the most birds are there; shape (..., 2)."""
    there = birds >= birds.max(-1, keepdims=True) / 2
    first, last = there.argmax(-1), len(days) - 1 - there[..., ::-1].argmax(-1)
    return np.stack([days[first], days[last]], -1)


def curve_dates(birds: Array, days: Array, role: int) -> Array:
    """Arrival, peak and departure of a curve of birds present; shape (..., date).

    Local birds: first and last day with half of the most birds. Passage birds: days by which 5 %
    and 95 % of the season's bird-days have passed.
    """
    ends = half_of_most(birds, days) if role == LOCAL else shares_passed(birds, days)
    return np.stack([ends[..., 0], top_of(birds, days), ends[..., 1]], -1)


def role_dates(predictors: Array, days: Array) -> Array:
    """Expected arrival, peak and departure of local and of passage birds.

    Those of locals are the days of half rise and half fall, which move smoothly with the
    coefficients: shares of learning are told of these.

    Parameters
    ----------
    predictors : array, shape (..., predictor)
    days : array, shape (day,)
        Evenly spaced, from the middle of the window.

    Returns
    -------
    array, shape (..., role, date)
    """
    top = top_of(birds_a_day(predictors, days, LOCAL), days)
    local = [predictors[..., RISE], top, predictors[..., FALL]]
    passage = curve_dates(birds_a_day(predictors, days, PASSAGE), days, PASSAGE)
    return np.stack([np.stack(local, -1), passage], -2)


def date_slopes(predictors: Array, days: Array) -> Array:
    """Derivatives of `role_dates` in the predictors; shape (..., role, date, predictor)."""
    step = 0.02
    slopes = []
    for one in range(predictors.shape[-1]):
        move = step * (np.arange(predictors.shape[-1]) == one)
        ahead, behind = (role_dates(predictors + moved, days) for moved in (move, -move))
        slopes.append((ahead - behind) / (2 * step))
    return np.stack(slopes, -1)


def level_slopes(shape: tuple[int, ...]) -> Array:
    """Derivatives of a site-year's log numbers in its predictors, one a role."""
    slopes = np.zeros((*shape, len(LEVELS), BOTH + 1))
    for role, level in enumerate(LEVELS):
        slopes[..., role, level] = 1.0
    slopes[..., BOTH] = 1.0
    return slopes


def season_columns(sizes: Sizes, index: Array) -> Array:
    """Which coefficients belong to a season, not to the site's typical one: its own, the year's.

    Parameters
    ----------
    sizes : Sizes
    index : array of int, shape (touched,)
        Positions of one site-year's touched coefficients.
    """
    start = sizes.offsets["year_level"]
    length = int(np.prod(sizes.parts["year_level"]))
    of_year = (index >= start) & (index < start + length)
    return np.concatenate([np.ones(sizes.local, bool), of_year])
