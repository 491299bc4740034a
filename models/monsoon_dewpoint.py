"""Onset and withdrawal of the monsoon by a run of moist days that lasts, from daily dew point.

Days are positions in a season's arrays, from 0; who calls knows the calendar.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.models.monsoon_turn import (
    LEAST_DAYS_TO_LEARN,
    MISSING_SHARE_ALLOWED,
    Days,
    Turn,
    days_near,
    share_of_news,
    turn_bounds,
)

RUN_DAYS = 3
HOLD_DAYS = 12  # a start is false when most of the days after it are dry again
HOLD_SHARE = 0.6
LEAST_CONTRAST = 2.0  # in standard deviations: nearer than this, two levels are one
LONGEST_RISE_DAYS = 7  # from dry to moist


@dataclass(frozen=True)
class Regimes:
    """The dry and the moist level of a site's dew point [°C], learned from all its seasons."""

    dry_c: float
    moist_c: float
    sd_c: float
    persistence: float

    @property
    def contrast(self) -> float:
        """Distance of the levels, in standard deviations of a day."""
        return (self.moist_c - self.dry_c) / self.sd_c

    def threshold_c(self, share: float = 0.5) -> float:
        """The dew point this share of the way from dry to moist [°C]."""
        return self.dry_c + share * (self.moist_c - self.dry_c)


def dewpoint_threshold_c(elevation_m: float) -> float:
    """Dew point that marks moist air at a height, for sites too short of data to learn their own.

    T = 13.3 − 1.53·z, z in km: the line through criteria once in use at three stations of one
    region (12.8 °C at 0.34 km, 12.2 °C at 0.78 km, 11.1 °C at 1.43 km).

    Parameters
    ----------
    elevation_m : float
        [m]

    Returns
    -------
    float
        [°C]

    Notes
    -----
    Not to be believed above 2,500 m or outside a summer monsoon that breaks a dry season; a
    threshold learned by `learn_regimes` goes first.

    Examples
    --------
    >>> round(dewpoint_threshold_c(780.0), 1)
    12.1
    """
    return 13.3 - 1.53 * elevation_m / 1000.0


def learn_regimes(dewpoint_c: Days) -> Regimes | None:
    """Learn the dry and the moist level of a site from the days of all its seasons.

    A mixture of two normal distributions with one spread, fitted by expectation-maximisation;
    persistence is the mean correlation of a day's residual with the next day's.

    Parameters
    ----------
    dewpoint_c : array (season, day)
        Daily mean dew points [°C], missing as NaN.

    Returns
    -------
    Regimes or None
        None with fewer than 100 days, or when the levels lie less than two standard deviations
        apart: then the site has no dry-to-moist contrast of its own.

    Examples
    --------
    >>> days = np.where(np.arange(150) < 60, 2.0, 14.0) + np.sin(np.arange(150.0))
    >>> regimes = learn_regimes(days[None, :])
    >>> round(regimes.dry_c), round(regimes.moist_c)
    (2, 14)
    """
    values = dewpoint_c[np.isfinite(dewpoint_c)]
    if values.size < LEAST_DAYS_TO_LEARN:
        return None
    dry, moist = np.quantile(values, [0.15, 0.85])
    sd, share_moist = float(values.std()) / 2 + 1e-9, 0.5
    for _ in range(200):
        odds = np.log(share_moist / (1 - share_moist)) + (
            (values - dry) ** 2 - (values - moist) ** 2
        ) / (2 * sd**2)
        is_moist = 1 / (1 + np.exp(-np.clip(odds, -500, 500)))
        share_moist = float(np.clip(is_moist.mean(), 0.02, 0.98))
        was = (dry, moist)
        dry = np.average(values, weights=1 - is_moist + 1e-12)
        moist = np.average(values, weights=is_moist + 1e-12)
        variance = (1 - is_moist) * (values - dry) ** 2 + is_moist * (values - moist) ** 2
        sd = max(float(np.sqrt(variance.mean())), 1e-6)
        if abs(dry - was[0]) + abs(moist - was[1]) < 1e-6:
            break
    regimes = Regimes(float(dry), float(moist), sd, 0.0)
    if regimes.contrast < LEAST_CONTRAST:
        return None
    residual = dewpoint_c - np.where(dewpoint_c > regimes.threshold_c(), moist, dry)
    today, next_day = residual[..., :-1].ravel(), residual[..., 1:].ravel()
    both = np.isfinite(today) & np.isfinite(next_day)
    spread = float(np.mean(today[both] ** 2)) if both.any() else 0.0
    persistence = float(np.mean(today[both] * next_day[both])) / spread if spread > 0 else 0.0
    return Regimes(regimes.dry_c, regimes.moist_c, sd, float(np.clip(persistence, 0.0, 0.95)))


def first_run(moist: npt.NDArray[np.bool_], run_days: int, start: int = 0) -> int:
    """First day, from `start`, of `run_days` moist days on end; −1 without one.

    Examples
    --------
    >>> first_run(np.array([True, False, True, True, True]), 3)
    2
    """
    from_day = np.asarray(moist, dtype=bool)[start:]
    if from_day.size < run_days:
        return -1
    runs = np.lib.stride_tricks.sliding_window_view(from_day, run_days).all(axis=1)
    return int(runs.argmax()) + start if runs.any() else -1


def dewpoint_onset(
    dewpoint_c: Days,
    threshold_c: float,
    *,
    regimes: Regimes | None = None,
    run_days: int = RUN_DAYS,
    hold_days: int = HOLD_DAYS,
    hold_share: float = HOLD_SHARE,
) -> Turn:
    """First day of the first run of moist days that lasts.

    A day is moist at a mean dew point of `threshold_c` or more. A run of `run_days` moist days
    starts the monsoon if at least `hold_share` of the known days among the `hold_days` from its
    first are moist; else it is a false start, and the search goes on after the next dry day.

    Parameters
    ----------
    dewpoint_c : array (day,)
        Daily means [°C], missing as NaN; from the dry season into the wet one.
    threshold_c : float
        [°C]
    regimes : Regimes, optional
        The site's levels; they give the interval: the posterior of the day on which the level
        changed, under normal noise with the site's persistence. Without them, levels are the
        means on either side of the threshold.
    run_days, hold_days, hold_share
        As above.

    Returns
    -------
    Turn
        No day if no run lasts, if the season begins moist, or if more than a fifth of the days
        are missing.

    Notes
    -----
    The interval is that of the day of change given that there was one; it does not doubt the
    definition. Set it beside the rain's.
    """
    known = np.isfinite(dewpoint_c)
    if known.mean() < 1 - MISSING_SHARE_ALLOWED:
        return Turn(None, reason="too many days without dew point")
    moist = known & (np.nan_to_num(dewpoint_c, nan=-np.inf) >= threshold_c)
    false_starts: list[int] = []
    start = first_run(moist, run_days)
    if start == 0:
        return Turn(None, reason="moist from the first day on: no dry season before")
    while start >= 0:
        held = slice(start, start + hold_days)
        if moist[held].sum() >= hold_share * max(known[held].sum(), run_days):
            levels = regimes or _levels_beside(dewpoint_c[known], threshold_c)
            low, high = _change_interval(dewpoint_c, start, levels)
            return Turn(start, low, high, tuple(false_starts))
        false_starts.append(start)
        dry_again = start + run_days + int((~moist[start + run_days :]).argmax())
        start = first_run(moist, run_days, dry_again)
    reason = (
        "every run of moist days was followed by a fall"
        if false_starts
        else (f"no {run_days} moist days on end")
    )
    return Turn(None, false_starts=tuple(false_starts), reason=reason)


def dewpoint_withdrawal(
    dewpoint_c: Days, threshold_c: float, *, regimes: Regimes | None, run_days: int = RUN_DAYS
) -> Turn:
    """Last day of the last run of moist days that had lasted: the onset of the season reversed.

    Parameters and returns as `dewpoint_onset`; no day if the season ends moist.
    """
    turn = dewpoint_onset(dewpoint_c[::-1], threshold_c, regimes=regimes, run_days=run_days)
    last = dewpoint_c.size - 1
    if turn.day is None:
        moist_end = turn.reason.startswith("moist from")
        return Turn(None, reason="still moist on the last day" if moist_end else turn.reason)
    return Turn(last - turn.day, last - turn.high, last - turn.low)


def _levels_beside(values: Days, threshold_c: float) -> Regimes:
    moist = values >= threshold_c
    dry_c = float(values[~moist].mean()) if (~moist).any() else threshold_c - 1.0
    moist_c = float(values[moist].mean()) if moist.any() else threshold_c + 1.0
    residual = values - np.where(moist, moist_c, dry_c)
    return Regimes(dry_c, moist_c, max(float(residual.std()), 0.5), 0.5)


def _change_interval(dewpoint_c: Days, start: int, levels: Regimes) -> tuple[float, float]:
    """Bounds of the day on which dry became moist, within three weeks of `start`."""
    near, first = days_near(dewpoint_c, start)
    day = np.arange(near.size)
    rise = np.arange(1, LONGEST_RISE_DAYS + 1)[:, None, None]
    share_moist = np.clip((day - day[:, None] + 1) / rise, 0.0, 1.0)  # (rise, change, day)
    level = levels.dry_c + share_moist * (levels.moist_c - levels.dry_c)
    misfit = np.nansum(((near - level) / levels.sd_c) ** 2, axis=-1) / 2
    misfit *= share_of_news(levels.persistence)
    by_rise = np.exp(misfit.min() - misfit)
    weight = np.zeros(near.size)
    for rise_days, changes in enumerate(by_rise, start=1):
        # A run is seen about a quarter into the rise, not on its first day.
        later = round(0.25 * (rise_days - 1))
        weight[later:] += changes[: near.size - later]
    return turn_bounds(weight, first, start)
