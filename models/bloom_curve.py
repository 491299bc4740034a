"""The curve of a season of bloom: rise, fall, bumps that mend it, and smooth departures."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

SMOOTH_DAYS = 20.0  # length of a season's own departures: about the life of a flush of flowers
BUMP_DAYS = 14.0  # spacing of the bumps that mend a plant's shape
BUMPS = 9
_MIDDLE = (BUMPS - 1) // 2


def departure_correlation(day: Floats, other: Floats) -> Floats:
    """Correlation of a season's departures on two sets of days, shape (n, m)."""
    reach = np.sqrt(3.0) * np.abs(day[:, None] - other[None, :]) / SMOOTH_DAYS
    return np.asarray(0.5 + 0.5 * (1 + reach) * np.exp(-reach))


def season_shape(tau: Floats, log_rise: Floats, log_fall: Floats) -> tuple[Floats, Floats, Floats]:
    """Log shape of a season, its slope by tau and its change by the log width of that side.

    Examples
    --------
    >>> shape, _, _ = season_shape(np.array([-20.0, 0.0, 20.0]), np.log(20.0), np.log(40.0))
    >>> (-shape).round(3).tolist()
    [0.5, 0.0, 0.125]
    """
    width = np.exp(np.where(tau < 0, log_rise, log_fall))
    reach = tau / width
    return -0.5 * reach**2, -reach / width, reach**2


def season_bumps(tau: Floats) -> Floats:
    """Bumps about the peak, one more axis in front.

    They stand higher away from the peak: the tails of a season are known worst.

    Examples
    --------
    >>> int(season_bumps(np.array([BUMP_DAYS])).argmax())  # one place after the middle
    5
    """
    reach = tau / BUMP_DAYS
    bumps = np.empty((BUMPS, *tau.shape))
    # exp(-(x - p)²/2) as exp(-x²/2) exp(x)^p exp(-p²/2): two exponentials for all places
    up = np.exp(reach)
    bumps[_MIDDLE] = np.exp(-0.5 * reach**2)
    for step in range(1, _MIDDLE + 1):
        factor = (1 + 0.5 * step) / (1 + 0.5 * (step - 1)) * np.exp(-0.5 * (2 * step - 1))
        np.multiply(bumps[_MIDDLE + step - 1], factor * up, out=bumps[_MIDDLE + step])
        np.multiply(bumps[_MIDDLE - step + 1], factor / up, out=bumps[_MIDDLE - step])
    return bumps


def bump_slopes(tau: Floats, bumps: Floats) -> Floats:
    """Slopes of `season_bumps` by tau."""
    place = (np.arange(BUMPS) - _MIDDLE).reshape(-1, *[1] * tau.ndim)
    return np.asarray(-bumps * (tau / BUMP_DAYS - place) / BUMP_DAYS)
