"""Stopover duration from daily captures, with residents among the passage birds."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr
from scipy.optimize import minimize
from scipy.special import gamma

from phenology.models.importance import draw_by_importance
from phenology.models.laplace import fit_laplace, jax_derivatives
from phenology.models.refusal import Refused
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

if TYPE_CHECKING:
    from phenology.models.stopover_likelihood import Histories as Data

Array = npt.NDArray[np.float64]
Histories = npt.NDArray[np.bool_]

FEWEST_SEEN_AGAIN = 20
LEAST_LEARNED = 0.5  # share of the prior variance of log stay that the data must take away
FEWEST_EFFECTIVE_DRAWS = 50.0
_KNOT_DAYS = 7
_DAYS_AT_ONCE = 16
_POINTS = 500


class StopoverFit(NamedTuple):
    """Entry and stay of passage birds and residents.

    Attributes
    ----------
    table : DataFrame
        quantity (passage stay, resident stay, residents among birds present, chance of a first
        and of a later capture on a day of usual effort), estimate, low, high, learned (share of
        the prior's variance that the data took away).
    entry : DataFrame
        day (from 0), estimate, low, high: share of passage birds that enter on the day.
    draws : Dataset
        By draw: passage_stay_days, resident_stay_days, share_residents, first_capture,
        later_capture; entry (draw, day).
    seen_again : int
    """

    table: pd.DataFrame
    entry: pd.DataFrame
    draws: xr.Dataset
    seen_again: int


class StayDraws(NamedTuple):
    """Draws of the stay of passage birds: mean [days] and shape, (draw,) each."""

    days: Array
    shape: Array


def draw_remaining_days(stay: StayDraws, size: tuple[int, int], rng: np.random.Generator) -> Array:
    """Days from a capture to leaving, a draw of the stay by row, shape (draw, bird).

    A bird is caught at any time of its stay, and one that stays long the likelier: its whole stay
    is drawn in proportion to its length, and what is left of it evenly. With κ = 1 the mean of
    what is left is the mean stay; with κ above 1 it is less.

    Examples
    --------
    >>> stay = StayDraws(np.full(50, 6.0), np.ones(50))
    >>> left = draw_remaining_days(stay, (50, 4000), np.random.default_rng(1))
    >>> bool(abs(left.mean() - 6.0) < 0.1)
    True
    """
    chosen = rng.integers(len(stay.days), size=size[0])
    days, shape = stay.days[chosen, None], stay.shape[chosen, None]
    scale = days / gamma(1 + 1 / shape)
    whole = scale * rng.gamma(1 + 1 / shape, size=size) ** (1 / shape)
    return np.asarray(whole * rng.random(size))


def fit_stopover(
    histories: npt.ArrayLike,
    effort: npt.ArrayLike,
    *,
    residents: bool = True,
    draws: int = 400,
    seed: int = 1,
) -> StopoverFit:
    """Fit entry, stay and capture to the daily captures of one season at one site.

    `phenology.models.stopover_likelihood` states the likelihood: birds enter over the season,
    stay for a time that has a shape in passage birds and is exponential in residents, and are
    caught at rates of their own before and after the first capture.

    Parameters
    ----------
    histories : array-like of bool, (birds, T)
        Whether each bird was caught on each day of the season, sampled or not; each was caught
        at least once.
    effort : array-like, (T,)
        Trap-hours of each day, 0 where there was no sampling.
    residents : bool
        Whether some of the birds may live there. Leaving them out wrecks the stay of the others.
    draws, seed : int

    Raises
    ------
    Refused
        With fewer than 20 birds seen on more than one day; where days of sampling lie further
        apart than half the stay; where the data hardly change what was assumed of the stay; or
        where a combination of parameters is not identified.
    ValueError
        If a bird was never caught, or caught on a day without effort.

    Notes
    -----
    A long stay is no sign of a good site: poor sites have long stays too. Birds that pass within
    hours are caught less often than the model has it. Residents are told by their stay alone;
    where few stay longer than the season's middle, their share is mostly prior. How long birds
    were there before their first capture rests on a rate that effort alone tells.

    References
    ----------
    Schaub, M., Pradel, R., Jenni, L. & Lebreton, J.-D. (2001), Ecology 82:852,
    doi:10.1890/0012-9658(2001)082[0852:MBSOLT]2.0.CO;2, for why minimum stays are too short.

    Examples
    --------
    >>> from phenology.models.stopover_simulated import simulate_stopover
    >>> caught, effort, truth = simulate_stopover(np.random.default_rng(2), birds=600)
    >>> row = fit_stopover(caught, effort).table.set_index("quantity").loc["passage stay"]
    >>> bool(row["low"] < truth.passage_stay_days < row["high"])
    True
    """
    from phenology.models import stopover_likelihood as likelihood

    caught, days_effort = checked(histories, effort)
    seen_again = int((caught.sum(axis=1) > 1).sum())
    if seen_again < FEWEST_SEEN_AGAIN:
        raise Refused(
            f"{seen_again} of {len(caught)} birds were seen on more than one day; a stay needs "
            f"{FEWEST_SEEN_AGAIN}: sample more days, or closer together"
        )
    data = _prepare(caught, days_effort, residents)
    start = np.concatenate([likelihood.PRIOR_MEAN, np.zeros(data.knots.shape[1])])
    fit = fit_laplace(jax_derivatives(likelihood.derivatives, data), _near_mode(start, data))
    theta, effective = draw_by_importance(
        partial(_on_rows, likelihood.heights, data=data), fit.theta, fit.covariance(),
        count=draws, points=_POINTS, rng=np.random.default_rng(seed),
    )  # fmt: skip
    if effective < FEWEST_EFFECTIVE_DRAWS:
        raise Refused("entry, stay and capture are too entangled in these captures to be told")
    learned = 1 - theta[:, : len(likelihood.NAMES)].var(axis=0) / likelihood.PRIOR_SD**2
    if learned[0] < LEAST_LEARNED:
        raise Refused(
            "the captures hardly change what was assumed of the stay: birds were caught again too "
            "rarely, or stay and capture cannot be told apart"
        )
    _refuse_wide_sampling(days_effort, float(np.exp(np.median(theta[:, 0]))))
    return _report(theta, data, learned, seen_again)


def _near_mode(start: Array, data: Data) -> Array:
    """Where a search by gradients alone settles: Newton steps from afar cost thirty times more."""
    import jax

    from phenology.models import stopover_likelihood as likelihood

    def objective(theta: Array) -> tuple[float, Array]:
        with jax.enable_x64(True):
            value, slope = likelihood.value_and_slope(theta, data)
        return float(value), np.array(slope)

    found = minimize(objective, start, jac=True, method="L-BFGS-B", options={"maxiter": 300})
    return np.asarray(found.x)


def _on_rows(function: Callable[..., Any], theta: Array, data: Data) -> Array:
    """What a function of the likelihood finds at each row of θ."""
    import jax

    with jax.enable_x64(True):
        return np.array(function(theta, data))


def checked(histories: npt.ArrayLike, effort: npt.ArrayLike) -> tuple[Histories, Array]:
    """Histories and effort as arrays, if they can be of one season."""
    caught = np.asarray(histories, dtype=bool)
    days = np.asarray(effort, dtype=float)
    if caught.ndim != 2 or caught.shape[1] != days.size:
        raise ValueError(f"histories must be birds × {days.size} days, not {caught.shape}")
    if not caught.any(axis=1).all():
        raise ValueError("every bird must have been caught at least once")
    if (caught.any(axis=0) & ~(days > 0)).any():
        raise ValueError("birds were caught on days without effort")
    return caught, days


def _refuse_wide_sampling(effort: Array, stay_days: float) -> None:
    gap = float(np.diff(np.flatnonzero(effort > 0)).mean())
    if gap > stay_days / 2:
        raise Refused(
            f"days of sampling lie {gap:.1f} days apart and birds stay about {stay_days:.1f}: "
            f"sampling every {max(1, int(stay_days / 2))} days would be needed"
        )


def _prepare(caught: Histories, effort: Array, residents: bool) -> Data:
    from phenology.models.stopover_likelihood import Histories as Data

    birds, days = caught.shape
    size = 1 << max(6, (birds - 1).bit_length())
    day = np.flatnonzero(effort > 0)
    filled = -(-day.size // _DAYS_AT_ONCE) * _DAYS_AT_ONCE
    on_day = caught[:, day]
    first = on_day.argmax(axis=1)
    last = day.size - 1 - on_day[:, ::-1].argmax(axis=1)
    place = np.arange(day.size)
    within = (place > first[:, None]) & (place <= last[:, None])
    count = max(2, days // _KNOT_DAYS)
    at = np.linspace(0, count - 1, days)
    knots = np.clip(1 - np.abs(at[:, None] - np.arange(count)), 0, None)

    def padded(values: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
        """Fill up birds and days, so that few sizes are compiled."""
        whole = np.concatenate([values, np.repeat(values[:1], size - birds, axis=0)])
        beyond = [(0, 0)] * (values.ndim - 1)
        return np.pad(whole, [(0, 0), (0, filled - day.size)]) if beyond else whole

    return Data(
        padded(first), padded(last), padded((within & on_day).astype(float)),
        padded((within & ~on_day).astype(float)), (np.arange(size) < birds).astype(float),
        np.pad(day, (0, filled - day.size), mode="edge"),
        (np.arange(filled) < day.size).astype(float), effort / effort[effort > 0].mean(),
        knots, float(residents),
    )  # fmt: skip


def _report(theta: Array, data: Data, learned: Array, seen_again: int) -> StopoverFit:
    from phenology.models import stopover_likelihood as likelihood

    log_caught = _on_rows(likelihood.log_caught, theta, data)
    # among the caught, then among all: those hard to catch count for more
    odds = np.exp(theta[:, 2] - log_caught[:, 1] + log_caught[:, 0]) * data.residents
    entry = np.exp(theta[:, len(likelihood.NAMES) :] @ data.knots.T)
    entry /= entry.sum(axis=1, keepdims=True)
    values = {
        "passage_stay_days": ("passage stay", np.exp(theta[:, 0]), 0),
        "resident_stay_days": ("resident stay", np.exp(theta[:, 1]), 1),
        "share_residents": ("residents among birds present", odds / (1 + odds), 2),
        "first_capture": ("first capture on a usual day", -np.expm1(-np.exp(theta[:, 3])), 3),
        "later_capture": ("later capture on a usual day", -np.expm1(-np.exp(theta[:, 4])), 4),
        "stay_shape": ("shape of passage stays", np.exp(theta[:, 6]), 6),
    }
    if not data.residents:
        values = {name: value for name, value in values.items() if "resident" not in name}
    quantiles = [LOW_QUANTILE, 0.5, HIGH_QUANTILE]
    rows = []
    for words, each, place in values.values():
        low, middle, high = np.quantile(each, quantiles)
        rows.append({"quantity": words, "estimate": middle, "low": low, "high": high,
                     "learned": learned[place]})  # fmt: skip
    low, middle, high = np.quantile(entry, quantiles, axis=0)
    return StopoverFit(
        pd.DataFrame(rows),
        pd.DataFrame({"day": np.arange(entry.shape[1]), "estimate": middle, "low": low,
                      "high": high}),
        xr.Dataset(
            {name: ("draw", each) for name, (_, each, _) in values.items()}
            | {"entry": (("draw", "day"), entry)}
        ),
        seen_again,
    )  # fmt: skip
