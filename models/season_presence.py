"""Birds present as a finite flock lives it, drawn about the curve that is expected.

A date of a season is that of the birds that came, not of a curve: where few come, their first,
most and last days scatter. The flock is a process of immigration and death whose mean is the
curve n, with new birds E and chance q of staying another day,

    N(t+1) ~ binomial(N(t), q) + Poisson(E),   q = min(exp(−1/stay), n(t+1)/n(t)),
    E = n(t+1) − q·n(t),   n = birds a day at typical effort / share of those present caught a day.

Do not believe the scatter where birds move in company: it is then too small.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from phenology.models.season_answers import LOCAL, SMOOTHED_DAYS, curve_dates

Array = npt.NDArray[Any]
CAUGHT_PRIOR = (1.0, 9.0)  # beta: one bird in ten of those present, from common practice
MOST_BIRDS = 1e6  # present on a day
LOG_STAY_PRIOR = (
    (np.log(40.0), 0.7),  # locals [days]: from a visit after fledging to a whole season
    (np.log(6.0), 0.5),  # passage: hummingbirds fuel for days to two weeks (Carpenter, Paton &
)  # Hixon 1983, doi:10.1073/pnas.80.23.7259)


def share_caught(seen_again: tuple[int, int], rng: np.random.Generator, draws: int) -> Array:
    """Draws of the share of the birds present that a day of typical effort catches.

    Parameters
    ----------
    seen_again : tuple of int
        Days between first and last capture on which birds were caught, and on which traps worked.
    rng : numpy Generator
    draws : int
    """
    caught, worked = seen_again
    return rng.beta(CAUGHT_PRIOR[0] + caught, CAUGHT_PRIOR[1] + worked - caught, draws)


def stay_days(role: int, rng: np.random.Generator, draws: int) -> Array:
    """Draws of how long a local or a passage bird stays [days]."""
    mean, sd = LOG_STAY_PRIOR[role]
    return np.exp(rng.normal(mean, sd, draws))


def staying(expected: Array, stay: Array) -> Array:
    """Share of the birds present that stay another day; day first, one less than `expected`."""
    passed = expected[1:] / np.maximum(expected[:-1], 1e-300)
    return np.minimum(np.exp(-1 / stay), passed)


def first_captures(birds: Array, share: Array, stay: Array) -> Array:
    """Expected first captures of the season by day, were traps worked every day.

    Of the birds not caught yet U, a share c is caught a day: U(t+1) = q·(1 − c)·U(t) + E. Their
    top comes before that of the birds present, and the more so the more of them are caught: it
    is the day of most new bands, not of most birds.

    Parameters
    ----------
    birds : array, shape (draw, ..., day)
        Expected birds caught a day at typical effort.
    share, stay : array, shape (draw,)
        Of the birds present that are caught a day; how long a bird stays [days].

    Returns
    -------
    array, shape (draw, ..., day)

    Examples
    --------
    Of a steady flock whose birds stay ten days, half are new at a catch of one in ten.

    >>> steady = first_captures(np.full((1, 90), 5.0), np.array([0.1]), np.array([10.0]))
    >>> float(steady[0, -1].round(2))
    2.56
    """
    lead = (slice(None),) + (None,) * (birds.ndim - 2)
    expected = np.moveaxis(birds, -1, 0) / share[lead]
    stays = staying(expected, stay[lead])
    uncaught = np.empty_like(expected)
    uncaught[0] = expected[0]
    for day in range(1, len(expected)):
        stayed = stays[day - 1]
        new = np.maximum(expected[day] - stayed * expected[day - 1], 0.0)
        uncaught[day] = stayed * (1 - share[lead]) * uncaught[day - 1] + new
    return np.moveaxis(uncaught * share[lead], 0, -1)


def live_flock(birds: Array, share: Array, stay: Array, rng: np.random.Generator) -> Array:
    """Birds present by day.

    Parameters
    ----------
    birds : array, shape (draw, ..., day)
        Expected birds caught a day at typical effort.
    share, stay : array, shape (draw,)
        Of the birds present that are caught a day; how long a bird stays [days].
    rng : numpy Generator

    Returns
    -------
    array of int, shape (draw, ..., day)
    """
    lead = (slice(None),) + (None,) * (birds.ndim - 2)
    expected = np.minimum(np.moveaxis(birds, -1, 0) / share[lead], MOST_BIRDS)
    stays = staying(expected, stay[lead])
    present = np.empty(expected.shape, np.int32)
    present[0] = rng.poisson(expected[0])
    for day in range(1, len(expected)):
        stayed = stays[day - 1]
        new = rng.poisson(np.maximum(expected[day] - stayed * expected[day - 1], 0.0))
        present[day] = rng.binomial(present[day - 1], stayed) + new
    return np.moveaxis(present, 0, -1)


def present_dates(present: Array, days: Array, role: int) -> Array:
    """Arrival, peak and departure of birds present by day; missing where no bird came.

    Local birds are averaged over a week first; the top is that of the averaged curve, for both.
    """
    half = SMOOTHED_DAYS // 2
    sides = [(0, 0)] * (present.ndim - 1) + [(half + 1, half)]
    passed = np.cumsum(np.pad(present, sides, mode="edge"), -1, dtype=present.dtype)
    week = passed[..., SMOOTHED_DAYS:] - passed[..., :-SMOOTHED_DAYS]
    highest = week == week.max(-1, keepdims=True)
    dates = curve_dates(week if role == LOCAL else present, days, role)
    dates[..., 1] = (highest @ days) / highest.sum(-1)
    dates[present.sum(-1) == 0] = np.nan
    return dates
