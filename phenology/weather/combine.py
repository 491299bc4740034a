"""From stations to a site: adjust for height, fill gaps from neighbours, weigh by distance."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Days = npt.NDArray[np.float64]

TEMPERATURES = ("tmin_c", "tmax_c", "tmean_c")
LAPSE_C_PER_KM = 6.5  # of temperature: the standard atmosphere's
DEWPOINT_LAPSE_C_PER_KM = 1.8  # of dew point in well-mixed air, from memory
LONGEST_GAP_DAYS = 30
LEAST_COMMON_DAYS = 90
LEAST_R2 = 0.5


@dataclass(frozen=True)
class Lapse:
    """Fall of temperature and dew point with height [°C/km]."""

    temperature_c_per_km: float = LAPSE_C_PER_KM
    dewpoint_c_per_km: float = DEWPOINT_LAPSE_C_PER_KM

    def adjustment_c(self, variable: str, height_difference_m: float) -> float:
        """What to add to a station's value; the difference is station less site.

        Examples
        --------
        >>> Lapse().adjustment_c("tmin_c", -200.0)
        -1.3
        >>> Lapse().adjustment_c("rain_mm", -200.0)
        0.0
        """
        if variable in TEMPERATURES:
            rate = self.temperature_c_per_km
        elif variable == "dewpoint_c":
            rate = self.dewpoint_c_per_km
        else:
            return 0.0
        return rate * height_difference_m / 1000.0 if np.isfinite(height_difference_m) else 0.0


def combine_by_distance(values: Days, effective_distance_km: Days, power: float = 2.0) -> Days:
    """Weighted mean over the stations present on each day, weights 1/d^power.

    Parameters
    ----------
    values : array (station, date)
        Adjusted for height; missing as NaN.
    effective_distance_km : array (station,)
        A station at distance 0 is taken alone on its days.

    Returns
    -------
    array (date,)

    Examples
    --------
    >>> combine_by_distance(np.array([[10.0, 10.0], [20.0, np.nan]]), np.array([1.0, 2.0])).tolist()
    [12.0, 10.0]
    """
    distance = np.maximum(effective_distance_km, 1e-6)
    weight = (distance.min() / distance) ** power
    known = np.isfinite(values)
    total = weight @ known
    with np.errstate(invalid="ignore"):
        mean: Days = (weight @ np.where(known, values, 0.0)) / np.where(total > 0, total, np.nan)
    return mean


@dataclass(frozen=True)
class Fill:
    """How one neighbour filled gaps of the station taken."""

    neighbour: int
    days: int
    r2: float
    error: float


def fill_from_neighbours(
    target: Days,
    neighbours: Days,
    *,
    is_rain: bool,
    longest_gap_days: int = LONGEST_GAP_DAYS,
) -> tuple[Days, npt.NDArray[np.int64], list[Fill]]:
    """Fill gaps by regression on neighbouring stations, the best first.

    y = a + b·x fitted over all days both have; for rain y = b·x with b the ratio of sums.
    A neighbour is used if it shares at least 90 days and explains at least half the variance.
    Gaps longer than `longest_gap_days` stay.

    Parameters
    ----------
    target : array (date,)
    neighbours : array (neighbour, date)
    is_rain : bool

    Returns
    -------
    values : array (date,)
    origin : array (date,)
        Position of the neighbour that filled a day; −1 elsewhere.
    fills : list of Fill

    Notes
    -----
    Filled rain keeps the amount of a region and not the storm of a place: it is marked as
    filled everywhere.
    """
    filled, origin = target.copy(), np.full(target.size, -1)
    fillable = _short_gaps(np.isnan(target), longest_gap_days)
    fills: list[Fill] = []
    if not fillable.any():
        return filled, origin, fills
    fits = [_fit(target, neighbour, is_rain) for neighbour in neighbours]
    for at in sorted(range(len(fits)), key=lambda k: -fits[k][2]):
        offset, slope, r2, error = fits[at]
        if r2 < LEAST_R2:
            break
        days = fillable & np.isnan(filled) & np.isfinite(neighbours[at])
        filled[days] = offset + slope * neighbours[at, days]
        origin[days] = at
        if days.any():
            fills.append(Fill(at, int(days.sum()), r2, error))
    return filled, origin, fills


def _fit(target: Days, neighbour: Days, is_rain: bool) -> tuple[float, float, float, float]:
    """Intercept, slope, share of variance explained, residual standard deviation."""
    both = np.isfinite(target) & np.isfinite(neighbour)
    if both.sum() < LEAST_COMMON_DAYS:
        return 0.0, 0.0, -np.inf, np.nan
    x, y = neighbour[both], target[both]
    spread = float(np.sum((y - y.mean()) ** 2))
    if is_rain:
        offset, slope = 0.0, float(y.sum() / x.sum()) if x.sum() > 0 else 0.0
    else:
        variance = float(np.sum((x - x.mean()) ** 2))
        slope = float(np.sum((x - x.mean()) * (y - y.mean())) / variance) if variance else 0.0
        offset = float(y.mean() - slope * x.mean())
    residual = y - offset - slope * x
    r2 = 1.0 - float(np.sum(residual**2)) / spread if spread > 0 else -np.inf
    return offset, slope, r2, float(residual.std())


def _short_gaps(missing: npt.NDArray[np.bool_], longest: int) -> npt.NDArray[np.bool_]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], missing.astype(np.int8), [0]])))
    short = np.zeros(missing.size, dtype=bool)
    for first, end in edges.reshape(-1, 2):
        short[first:end] = end - first <= longest
    return short
