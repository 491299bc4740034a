"""Fuel deposition rate from birds weighed twice in one stay, and from the time of day.

A bird first weighed at m₁ and again t days later differs by

    m(t) − m₁ = r_i t − L min(t, 1) + h (hour − hour₁) + e(t) − e₁,     r_i ~ N(r_g, s²),

with L what capture and handling cost on the first day, h the gain through a day, e the error of a
weighing. The differences of one bird share e₁ and r_i; their joint density is a multivariate t,
whose scale matrix, var(e) (I + 11ᵀ) + s² ttᵀ, is a diagonal and two directions: of a bird only the
products of its gains, times and ones are needed, summed over its weighings.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr
from scipy.special import gammaln

from phenology.models.laplace import fit_laplace
from phenology.models.refusal import Refused
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

Array = npt.NDArray[np.float64]

FEWEST_REPEATED = 5  # birds weighed again half a day later or more
_TAIL_DF = (
    5.0  # of single weighings: slips happen, and one free parameter less is asked of few birds
)

# Priors, as shares of mean mass: gain −5 to 10 % a day covers the fastest maxima over two days
# (15 % for single birds of 3.4 g, Lindström 2003, quoted); loss up to a few per cent on the first
# day and gain through the day below 2 % an hour are common practice.
_RATE_SD, _LOSS_SD, _HOUR_SD = 0.05, 0.02, 0.01
# φ: logarithms of the error, of the spread of rates between birds, and between groups
_SCALE_MEAN, _SCALE_SD = np.array([-4.0, -4.0, -4.5]), 0.8


class DepositionFit(NamedTuple):
    """Rates of birds that stayed and were caught again.

    Attributes
    ----------
    groups : DataFrame
        group, birds, estimate, low, high [g/day].
    draws : Dataset
        `fuel_deposition_g_per_day` (draw, group), and by draw first_day_loss_g,
        hour_gain_g_per_h, weighing_error_g, rate_sd_g_per_day (between birds).
    """

    groups: pd.DataFrame
    draws: xr.Dataset


class _Birds(NamedTuple):
    """Sums over the later weighings of each bird; Z is gain, days, −min(days, 1) and hours."""

    products: Array  # (n, 4, 4): ZᵀZ
    ones: Array  # (n, 4): 1ᵀZ
    number: Array  # (n,)
    group: npt.NDArray[np.int64]  # (n,)


def fit_deposition(weighings: pd.DataFrame, draws: int = 400, seed: int = 1) -> DepositionFit:
    """Fuel deposition rate by group, from birds weighed more than once in one stay.

    Parameters
    ----------
    weighings : DataFrame
        `bird` (one bird in one stay), `day` (date as a number of days), `mass_g`, and where
        known `hour` (after midnight) and `group`. Gravid birds are for the caller to leave out.
    draws, seed : int

    Raises
    ------
    Refused
        With fewer than five birds weighed again on another day.

    Notes
    -----
    These are rates of stayers: birds that leave at once are not weighed twice, so the mean of all
    birds that stop may be lower or higher. A first-day loss and a slow gain look alike where all
    repeats come within two days; the interval then says so.

    References
    ----------
    Lindström, Å. (2003), in Avian Migration, Springer (quoted), for what rates are possible.

    Examples
    --------
    >>> from phenology.models.fuel_deposition_simulated import simulate_weighings
    >>> weighings, truth = simulate_weighings(np.random.default_rng(4), birds=60)
    >>> row = fit_deposition(weighings).groups.iloc[0]
    >>> bool(row["low"] < truth.rate_g_per_day < row["high"])
    True
    """
    table, mean_mass = _clean(weighings)
    groups = sorted(table["group"].unique())
    days = table.groupby("bird")["day"].agg(["min", "max"])
    repeated = int((days["max"] > days["min"]).sum())
    if repeated < FEWEST_REPEATED:
        raise Refused(
            f"{repeated} birds were weighed again on another day of the same stay; a rate of "
            f"deposition needs {FEWEST_REPEATED}"
        )
    birds = _sum_products(table, groups, mean_mass)

    def derivatives(theta: Array, phi: Array) -> tuple[float, Array, Array]:
        return _negative_log_joint(theta, phi, birds)

    # θ: mean rate, loss, hour, then one deviation a group
    fit = fit_laplace(derivatives, np.zeros(3 + len(groups)), _SCALE_MEAN)
    drawn, scales = fit.draws(draws, np.random.default_rng(seed))
    rate = mean_mass * (drawn[:, :1] + drawn[:, 3:])
    low, middle, high = np.quantile(rate, [LOW_QUANTILE, 0.5, HIGH_QUANTILE], axis=0)
    return DepositionFit(
        pd.DataFrame(
            {
                "group": groups,
                "birds": np.bincount(birds.group, minlength=len(groups)),
                "estimate": middle,
                "low": low,
                "high": high,
            }
        ),
        xr.Dataset(
            {
                "fuel_deposition_g_per_day": (("draw", "group"), rate),
                "first_day_loss_g": ("draw", mean_mass * drawn[:, 1]),
                "hour_gain_g_per_h": ("draw", mean_mass * drawn[:, 2]),
                "weighing_error_g": ("draw", mean_mass * np.exp(scales[:, 0])),
                "rate_sd_g_per_day": ("draw", mean_mass * np.exp(scales[:, 1])),
            },
            coords={"group": groups},
        ),
    )


def _clean(weighings: pd.DataFrame) -> tuple[pd.DataFrame, float]:
    table = pd.DataFrame(
        {
            "bird": weighings["bird"],
            "day": pd.to_numeric(weighings["day"]).astype(float),
            "mass": pd.to_numeric(weighings["mass_g"]).astype(float),
            "hour": (
                pd.to_numeric(weighings["hour"]).astype(float)
                if "hour" in weighings
                else pd.Series(np.nan, index=weighings.index)
            ),
            "group": weighings["group"].astype(str) if "group" in weighings else "all",
        }
    ).dropna(subset=["bird", "day", "mass"])
    if table.empty:
        raise Refused("no bird was weighed")
    usual = table["hour"].median()
    table["hour"] = table["hour"].fillna(12.0 if np.isnan(usual) else usual)
    return table, float(table["mass"].median())


def _sum_products(table: pd.DataFrame, groups: list[str], mean_mass: float) -> _Birds:
    table = table.assign(at=table["day"] + table["hour"] / 24).sort_values(["bird", "at"])
    bird, _ = pd.factorize(table["bird"])
    start = np.flatnonzero(np.diff(bird, prepend=-1))
    later = np.ones(len(bird), dtype=bool)
    later[start] = False
    first = start[bird[later]]
    gain, days, hours = (
        table[name].to_numpy()[later] - table[name].to_numpy()[first]
        for name in ("mass", "at", "hour")
    )
    weighed = np.stack([gain / mean_mass, days, -np.minimum(days, 1.0), hours], axis=1)
    several, row = np.unique(bird[later], return_inverse=True)
    birds = _Birds(
        np.zeros((len(several), 4, 4)),
        np.zeros((len(several), 4)),
        np.bincount(row, minlength=len(several)).astype(float),
        pd.Categorical(table["group"], groups).codes[start[several]],
    )
    np.add.at(birds.products, row, weighed[:, :, None] * weighed[:, None])
    np.add.at(birds.ones, row, weighed)
    return birds


def _negative_log_joint(theta: Array, phi: Array, birds: _Birds) -> tuple[float, Array, Array]:
    """Value, gradient and Hessian in θ."""
    form, log_root_det = _forms(birds, phi)
    at = np.tile(theta[:3], (len(birds.group), 1))
    at[:, 0] += theta[3 + birds.group]
    toward = np.einsum("nij,nj->ni", form[:, 1:, 1:], at) - form[:, 1:, 0]
    distance = form[:, 0, 0] + ((toward - form[:, 1:, 0]) * at).sum(axis=1)
    degrees = _TAIL_DF + birds.number
    value = float(
        (log_root_det + degrees / 2 * np.log1p(distance / _TAIL_DF)).sum()
        + (gammaln(_TAIL_DF / 2) - gammaln(degrees / 2)).sum()
        + 0.5 * birds.number.sum() * np.log(_TAIL_DF * np.pi)
    )
    pull = degrees / (_TAIL_DF + distance)
    bend = pull[:, None, None] * form[:, 1:, 1:]
    bend -= (2 * pull**2 / degrees)[:, None, None] * toward[:, :, None] * toward[:, None]
    # a group's deviation adds to the mean rate
    places = np.eye(3, theta.size)[None].repeat(theta.size - 3, axis=0)
    places[:, 0, 3:] = np.eye(theta.size - 3)
    slope_of_group = np.zeros((len(places), 3))
    bend_of_group = np.zeros((len(places), 3, 3))
    np.add.at(slope_of_group, birds.group, pull[:, None] * toward)
    np.add.at(bend_of_group, birds.group, bend)
    sd = np.concatenate([[_RATE_SD, _LOSS_SD, _HOUR_SD], np.full(theta.size - 3, np.exp(phi[2]))])
    value += float(0.5 * ((theta / sd) ** 2).sum() + np.log(sd).sum())
    value += float(0.5 * (((phi - _SCALE_MEAN) / _SCALE_SD) ** 2).sum())
    return (
        value,
        np.einsum("gik,gi->k", places, slope_of_group) + theta / sd**2,
        np.einsum("gik,gij,gjl->kl", places, bend_of_group, places) + np.diag(sd**-2.0),
    )


def _forms(birds: _Birds, phi: Array) -> tuple[Array, Array]:
    """Zᵀ C⁻¹ Z of each bird, (n, 4, 4), and ½ log det C, C being its scale matrix."""
    error, spread = np.exp(2 * phi[0]), np.exp(2 * phi[1])
    slope = np.sqrt(spread / error)
    along = np.stack([birds.ones, slope * birds.products[:, 1]], axis=1)  # (n, 2, 4)
    inner = np.empty((len(birds.number), 2, 2))
    inner[:, 0, 0] = 1 + birds.number
    inner[:, 0, 1] = inner[:, 1, 0] = slope * birds.ones[:, 1]
    inner[:, 1, 1] = 1 + slope**2 * birds.products[:, 1, 1]
    form = birds.products - along.transpose(0, 2, 1) @ np.linalg.solve(inner, along)
    return form / error, birds.number * phi[0] + 0.5 * np.log(np.linalg.det(inner))


def deposition_from_time_of_day(
    hour_gain_g_per_h: npt.ArrayLike, active_hours: float, overnight_loss_g: float | None = None
) -> Array:
    """Daily gain that the rise of mass through the day would mean.

    rate = gain an hour × hours of activity − overnight loss.

    Parameters
    ----------
    hour_gain_g_per_h : array-like, (draw,)
        Rise of mass with the hour among birds caught once, size and group accounted for;
        `LeanMassModel` gives it as a share: hour_effect × lean mass.
    active_hours : float
        Hours of feeding in a day.
    overnight_loss_g : float, optional
        Mass lost in a night; without it the result is the gain before the night, an upper bound.

    Returns
    -------
    ndarray, (draw,)
        [g/day].

    Notes
    -----
    Biased: birds caught late are not the birds caught early, fat birds come at other hours than
    lean ones, and traps baited with a feeder are visited by hungry birds first. Compare with
    `fit_deposition` before use.

    Examples
    --------
    >>> float(deposition_from_time_of_day(0.02, 13.0, overnight_loss_g=0.16).round(3))
    0.1
    """
    gain = np.asarray(hour_gain_g_per_h, dtype=float) * active_hours
    return np.asarray(gain - (overnight_loss_g or 0.0))
