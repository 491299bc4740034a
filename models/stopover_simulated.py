"""Daily capture histories from the stopover model's own family."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Histories = npt.NDArray[np.bool_]


class StopoverTruth(NamedTuple):
    """What generated the histories."""

    passage_stay_days: float
    resident_stay_days: float
    share_residents: float


def simulate_stopover(
    rng: np.random.Generator,
    *,
    birds: int = 1000,
    days: int = 60,
    passage_stay_days: float | None = None,
    share_residents: float | None = None,
    first_capture: float = 0.15,
    later_capture: float = 0.15,
    every: int = 1,
) -> tuple[Histories, Array, StopoverTruth]:
    """Simulate a season: birds enter, stay and are caught; only birds ever caught are returned.

    Parameters
    ----------
    rng : Generator
    birds : int
        Birds that use the site, caught or not.
    days : int
    passage_stay_days, share_residents : float, optional
        Drawn where not given: 3 to 10 days, .05 to .3.
    first_capture, later_capture : float
        Chance of capture on a day of usual effort, before and after the first capture.
    every : int
        Days from one day of sampling to the next.

    Returns
    -------
    histories : ndarray of bool, (birds caught, days)
    effort : ndarray, (days,)
    truth : StopoverTruth

    Examples
    --------
    >>> caught, effort, truth = simulate_stopover(np.random.default_rng(1), birds=30, days=20)
    >>> caught.shape[1], bool(caught.any(axis=1).all())
    (20, True)
    """
    stay = rng.uniform(3, 10) if passage_stay_days is None else passage_stay_days
    share = rng.uniform(0.05, 0.3) if share_residents is None else share_residents
    resident = rng.random(birds) < share
    pulse = np.clip(np.round(rng.normal(0.5 * days, days / 7, birds)), 0, days - 1)
    local = np.where(rng.random(birds) < 0.6, 0, rng.integers(days, size=birds))
    enter = np.where(resident, local, pulse)
    there = rng.geometric(-np.expm1(-1 / np.where(resident, 40.0, stay)))
    effort = np.where(np.arange(days) % every == 0, rng.uniform(0.5, 1.5, days), 0.0)
    usual = effort[effort > 0].mean()
    rates = [-np.log1p(-p) / usual for p in (first_capture, later_capture)]
    caught = np.zeros((birds, days), dtype=bool)
    before = np.zeros(birds, dtype=bool)
    for day in range(days):
        present = (enter <= day) & (day < enter + there)
        rate = np.where(before, rates[1], rates[0])
        caught[:, day] = present & (rng.random(birds) < -np.expm1(-rate * effort[day]))
        before |= caught[:, day]
    return caught[before], effort, StopoverTruth(stay, 40.0, float(share))
