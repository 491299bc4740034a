"""The plain mean curve of bloom: what a site's surveys average to by day, without a model."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

BANDWIDTH_DAYS = 10.0


def mean_curve(
    day: npt.ArrayLike,
    density: npt.ArrayLike,
    at_day: npt.ArrayLike,
    bandwidth_days: float = BANDWIDTH_DAYS,
) -> npt.NDArray[np.float64]:
    r"""Average surveyed densities by day with a Gaussian kernel.

    .. math:: m(t) = \sum_i K((t - t_i)/h)\, y_i \big/ \sum_i K((t - t_i)/h)

    Parameters
    ----------
    day : array-like, shape (n,)
        Day of the season of each survey [days].
    density : array-like, shape (n,)
        Open flowers by area [1/m2].
    at_day : array-like, shape (m,)
        Days asked for [days].
    bandwidth_days : float
        Standard deviation of the kernel [days].

    Returns
    -------
    ndarray, shape (m,)
        Mean density [1/m2]; far from any survey, that of the nearest.

    Raises
    ------
    ValueError
        Without any survey.

    Notes
    -----
    Do not believe it where years differ and were surveyed at different times: it mixes late
    springs with dry ones. It is the baseline that the bloom model has to beat.

    Examples
    --------
    >>> mean_curve([180.0, 200.0], [4.0, 8.0], [190.0]).round(2).tolist()
    [6.0]
    """
    days, values = np.asarray(day, dtype=float), np.asarray(density, dtype=float)
    if days.size == 0:
        raise ValueError("a mean curve needs at least one survey")
    distance = (np.asarray(at_day, dtype=float)[:, None] - days[None, :]) / bandwidth_days
    exponent = -0.5 * distance**2
    weight = np.exp(exponent - exponent.max(axis=1, keepdims=True))
    return np.asarray(weight @ values / weight.sum(axis=1))
