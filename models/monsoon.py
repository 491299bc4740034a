"""Onset, withdrawal and strength of the monsoon, from one season's daily dew point and rain.

Two definitions, kept apart: a run of moist days that lasts, and the turning point of cumulated
rain. Days are positions in the season's arrays, from 0; who calls knows the calendar.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

Days = npt.NDArray[np.float64]

WET_DAY_MM = 1.0
RUN_DAYS = 3
HOLD_DAYS = 12  # a start is false when most of the days after it are dry again
HOLD_SHARE = 0.6
LEAST_CONTRAST = 2.0  # in standard deviations: nearer than this, two levels are one
LEAST_DAYS_TO_LEARN = 100
LONGEST_RISE_DAYS = 7  # from dry to moist
SEARCH_DAYS = 21  # the interval is sought within this many days of the estimate
REFERENCE_SHARE = 0.2  # of the way from the dry season's daily rain to the wet season's
LEAST_SHARE_OF_NORMAL = 0.35  # a season with less of the usual rain in its rise has no onset
MISSING_SHARE_ALLOWED = 0.2


@dataclass(frozen=True)
class Turn:
    """A day on which the season turned, with its 90 % interval; `day` is None for no turn.

    Attributes
    ----------
    day : int or None
        Position in the season.
    low, high : float
        Bounds; NaN without a day.
    false_starts : tuple of int
        First days of runs that were followed by a fall.
    reason : str
        Why there is no day, in words; else empty.
    """

    day: int | None
    low: float = np.nan
    high: float = np.nan
    false_starts: tuple[int, ...] = ()
    reason: str = ""


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


def dewpoint_withdrawal(dewpoint_c: Days, threshold_c: float, *, regimes: Regimes | None) -> Turn:
    """Last day of the last run of moist days that had lasted: the onset of the season reversed.

    Parameters and returns as `dewpoint_onset`; no day if the season ends moist.
    """
    turn = dewpoint_onset(dewpoint_c[::-1], threshold_c, regimes=regimes)
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
    near, first = _near(dewpoint_c, start)
    day = np.arange(near.size)
    rise = np.arange(1, LONGEST_RISE_DAYS + 1)[:, None, None]
    share_moist = np.clip((day - day[:, None] + 1) / rise, 0.0, 1.0)  # (rise, change, day)
    level = levels.dry_c + share_moist * (levels.moist_c - levels.dry_c)
    misfit = np.nansum(((near - level) / levels.sd_c) ** 2, axis=-1) / 2
    misfit *= _news(levels.persistence)
    by_rise = np.exp(misfit.min() - misfit)
    weight = np.zeros(near.size)
    for rise_days, changes in enumerate(by_rise, start=1):
        # A run is seen about a quarter into the rise, not on its first day.
        later = round(0.25 * (rise_days - 1))
        weight[later:] += changes[: near.size - later]
    return _bounds(weight, first, start)


def _near(values: Days, day: int) -> tuple[Days, int]:
    """The days around one, and the position of their first."""
    first = max(0, day - SEARCH_DAYS)
    return values[first : day + SEARCH_DAYS + 1], first


def _news(persistence: float) -> float:
    """What a day of persistent noise tells, as a share of an independent day's news."""
    return (1 - persistence) / (1 + persistence)


def _bounds(weight: Days, first: int, day: int) -> tuple[float, float]:
    """Central 90 % of weights on the days from `first`, stretched to hold `day`."""
    share = np.cumsum(weight) / weight.sum()
    low = first + int(np.searchsorted(share, LOW_QUANTILE))
    high = first + int(np.searchsorted(share, HIGH_QUANTILE))
    return float(min(low, day)), float(max(high, day))


@dataclass(frozen=True)
class RainLevels:
    """A site's rain before and during the monsoon, learned from all its seasons.

    Attributes
    ----------
    cap_mm : float
        Rain of a day beyond this counts no further, so that no single storm makes a season.
    reference_mm : float
        Daily rain whose accumulation the season's is held against.
    dry_chance, wet_chance : float
        Share of wet days before the onset and between onset and withdrawal.
    persistence : float
        Correlation of wet and dry days from one day to the next, the season's course removed.
    normal_mm : float
        Median over seasons of the rain between onset and withdrawal.
    """

    cap_mm: float
    reference_mm: float
    dry_chance: float
    wet_chance: float
    persistence: float
    normal_mm: float


def learn_rain_levels(rain_mm: Days) -> RainLevels | None:
    """Learn the levels by turns: find each season's rise, then the rain before and during it.

    Parameters
    ----------
    rain_mm : array (season, day)
        [mm], missing as NaN.

    Returns
    -------
    RainLevels or None
        None where it never rained or nothing is known.
    """
    known = np.isfinite(rain_mm)
    wet = np.nan_to_num(rain_mm) >= WET_DAY_MM
    if known.sum() < LEAST_DAYS_TO_LEARN or not wet.any():
        return None
    cap = float(np.median(rain_mm[wet]))
    capped = np.minimum(rain_mm, cap)
    reference = float(np.nanmean(capped))
    day = np.arange(rain_mm.shape[1])
    for _ in range(3):
        start, end = _largest_rise(_departure(capped, reference))
        during = known & (day >= start[:, None]) & (day <= end[:, None])
        before = known & (day < start[:, None])
        if not before.any() or not during.any():
            return None
        low, high = capped[before].mean(), capped[during].mean()
        reference = float(low + REFERENCE_SHARE * (high - low))
    dry_chance = float((wet[before].sum() + 0.5) / (before.sum() + 1))
    wet_chance = float((wet[during].sum() + 0.5) / (during.sum() + 1))
    residual: Days = wet - np.where(during, wet_chance, dry_chance)
    spread = float(np.mean(residual**2))
    persistence = float(np.mean(residual[:, :-1] * residual[:, 1:])) / spread
    fallen = np.where(during, np.nan_to_num(rain_mm), 0.0).sum(axis=1)
    return RainLevels(
        cap,
        reference,
        dry_chance,
        max(wet_chance, 1.01 * dry_chance),
        float(np.clip(persistence, 0.0, 0.95)),
        float(np.median(fallen)),
    )


def rain_turns(rain_mm: Days, levels: RainLevels) -> tuple[Turn, Turn]:
    """Onset and withdrawal by rain: first and last day of the largest rise of its departure.

    With A(d) = Σ_{t≤d} [min(r_t, cap) − r̄], the onset is the day after the lowest A before the
    largest rise, the withdrawal the day that ends it. Intervals are posteriors of the day on
    which the chance of a wet day changed.

    Parameters
    ----------
    rain_mm : array (day,)
        [mm], missing as NaN; from the dry season to after the withdrawal.
    levels : RainLevels

    Returns
    -------
    onset, withdrawal : Turn
        No day when the rise brings less than a third of the usual rain, or when more than a
        fifth of the days are missing.

    Notes
    -----
    The published form takes the annual mean for r̄ and no cap. Where winters are wet that turns
    days too late, and one storm can decide; with the reference a fifth of the way from dry to
    wet and the cap at the median wet day, simulated seasons showed the least bias.

    References
    ----------
    Liebmann, B. & Marengo, J. A. (2001). Journal of Climate 14:4308-4318.
    https://doi.org/10.1175/1520-0442(2001)014<4308:IVOTRS>2.0.CO;2
    """
    if np.isfinite(rain_mm).mean() < 1 - MISSING_SHARE_ALLOWED:
        missing = Turn(None, reason="too many days without rain readings")
        return missing, missing
    capped = np.minimum(rain_mm, levels.cap_mm)
    starts, ends = _largest_rise(_departure(capped[None, :], levels.reference_mm))
    first, last = int(starts[0]), int(ends[0])
    fallen = float(np.nansum(rain_mm[first : last + 1]))
    if fallen < LEAST_SHARE_OF_NORMAL * levels.normal_mm:
        weak = Turn(None, reason=f"no lasting rise of rain: {fallen:.0f} mm at most")
        return weak, weak
    onset = Turn(first, *_wet_interval(rain_mm, first, levels))
    end = rain_mm.size - 1
    low, high = _wet_interval(rain_mm[::-1], end - last, levels)
    return onset, Turn(last, end - high, end - low)


def _departure(capped_mm: Days, reference_mm: float) -> Days:
    """Departure of cumulated rain (season, day) from an even accumulation [mm]."""
    return np.cumsum(np.nan_to_num(capped_mm, nan=reference_mm) - reference_mm, axis=1)


def _largest_rise(
    departure: Days,
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First and last day of the largest rise in each row (row, day)."""
    before = np.concatenate([np.zeros((len(departure), 1)), departure], axis=1)
    lowest = np.minimum.accumulate(before, axis=1)
    end = np.maximum((before - lowest).argmax(axis=1), 1)
    upto = np.where(np.arange(before.shape[1])[None, :] < end[:, None], before, np.inf)
    start = upto.shape[1] - 1 - upto[:, ::-1].argmin(axis=1)
    return start.astype(np.int64), (end - 1).astype(np.int64)


def _wet_interval(rain_mm: Days, start: int, levels: RainLevels) -> tuple[float, float]:
    """Bounds of the day on which wet days became common, within three weeks of `start`."""
    near, first = _near(rain_mm, start)
    wet_gain = np.log(levels.wet_chance / levels.dry_chance)
    dry_gain = np.log((1 - levels.wet_chance) / (1 - levels.dry_chance))
    wet, known = np.nan_to_num(near) >= WET_DAY_MM, np.isfinite(near)
    gain = known * (wet * wet_gain + ~wet * dry_gain) * _news(levels.persistence)
    after = np.cumsum(gain[::-1])[::-1]  # log odds of a change on each day, up to a constant
    return _bounds(np.exp(after - after.max()), first, start)


def longest_break(rain_mm: Days, wet_day_mm: float = WET_DAY_MM) -> int:
    """Most days on end without a wet day; a missing day ends no break.

    Examples
    --------
    >>> longest_break(np.array([5.0, 0.0, 0.4, 3.0, 0.0]))
    2
    """
    wet = np.nan_to_num(rain_mm, nan=0.0) >= wet_day_mm
    edges = np.flatnonzero(np.concatenate([[True], wet, [True]]))
    return int(np.diff(edges).max() - 1)


def total_with_gaps(rain_mm: Days) -> tuple[float, float, float]:
    """Season's rain with bounds for the days that were not read.

    Missing days are taken to be like the known ones: estimate = known sum / share known, bounds
    at ±1.645 times the spread of a sum of that many days, never below the known sum.

    Returns
    -------
    estimate, low, high : float
        [mm]; equal without gaps, NaN when more than a fifth of the days are missing.

    Examples
    --------
    >>> total_with_gaps(np.array([2.0, 0.0, 4.0]))
    (6.0, 6.0, 6.0)
    """
    known = np.isfinite(rain_mm)
    missing = int((~known).sum())
    if missing > MISSING_SHARE_ALLOWED * rain_mm.size:
        return np.nan, np.nan, np.nan
    fallen = float(rain_mm[known].sum())
    expected = missing * float(rain_mm[known].mean())
    spread = 1.645 * missing**0.5 * float(rain_mm[known].std())
    return fallen + expected, max(fallen, fallen + expected - spread), fallen + expected + spread
