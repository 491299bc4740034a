"""Fuel deposition rate from birds weighed twice in one stay, and from the time of day.

A bird first weighed at m₁ and again t days later differs by

    m(t) − m₁ = r_i t − L min(t, 1) + h (hour − hour₁) + e(t) − e₁,     r_i ~ N(r_g, s²),

with L what capture and handling cost on the first day, h the gain through a day, e the error of a
weighing. The differences of one bird share e₁ and r_i; their joint density is a multivariate t.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.models.laplace import fit_laplace, jax_derivatives
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
_SCALES = {"log_error": (-4.0, 0.8), "log_rate_sd": (-4.0, 0.8), "log_group_sd": (-4.5, 0.8)}


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


class _Differences(NamedTuple):
    gain: Any  # (n, J): mass less first mass, as a share of mean mass
    days: Any  # (n, J)
    hours: Any  # (n, J): hour of day less hour of the first
    there: Any  # (n, J): 0 on padding
    group: Any  # (n,)
    weight: Any  # (n,)


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
    repeated = int((table.groupby("bird")["day"].agg(np.ptp) > 0).sum())
    if repeated < FEWEST_REPEATED:
        raise Refused(
            f"{repeated} birds were weighed again on another day of the same stay; a rate of "
            f"deposition needs {FEWEST_REPEATED}"
        )
    differences, birds = _differences(table, groups, mean_mass)
    # θ: mean rate, loss, hour, then one deviation a group
    scale_mean, scale_sd = (np.array(part) for part in zip(*_SCALES.values(), strict=True))
    theta = np.zeros(3 + len(groups))
    derivatives = jax_derivatives(_derivatives, differences, scale_mean, scale_sd)
    fit = fit_laplace(derivatives, theta, scale_mean)
    drawn, scales = fit.draws(draws, np.random.default_rng(seed))
    rate = mean_mass * (drawn[:, :1] + drawn[:, 3:])
    low, middle, high = np.quantile(rate, [LOW_QUANTILE, 0.5, HIGH_QUANTILE], axis=0)
    return DepositionFit(
        pd.DataFrame(
            {"group": groups, "birds": birds, "estimate": middle, "low": low, "high": high}
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


def _differences(
    table: pd.DataFrame, groups: list[str], mean_mass: float
) -> tuple[_Differences, list[int]]:
    table = table.assign(at=table["day"] + table["hour"] / 24).sort_values(["bird", "at"])
    order = table.groupby("bird").cumcount()
    several = table["bird"].map(table["bird"].value_counts()) > 1
    table, order = table[several], order[several]
    names = table["bird"].drop_duplicates()
    row = table["bird"].map({name: place for place, name in enumerate(names)}).to_numpy()
    width = 1 << max(1, int(order.max() - 1).bit_length())
    size = 1 << max(5, (len(names) - 1).bit_length())
    arrays = {key: np.zeros((size, width)) for key in ("gain", "days", "hours", "there")}
    first = order.to_numpy() == 0
    start = {key: table.loc[first, key].to_numpy() for key in ("mass", "at", "hour")}
    later = ~first
    cell = row[later], order.to_numpy()[later] - 1
    arrays["gain"][cell] = (table["mass"].to_numpy() - start["mass"][row])[later] / mean_mass
    arrays["days"][cell] = (table["at"].to_numpy() - start["at"][row])[later]
    arrays["hours"][cell] = (table["hour"].to_numpy() - start["hour"][row])[later]
    arrays["there"][cell] = 1.0
    group = np.zeros(size, dtype=int)
    group[: len(names)] = [groups.index(name) for name in table["group"].to_numpy()[first]]
    weight = (np.arange(size) < len(names)).astype(float)
    counts = np.bincount(group[: len(names)], minlength=len(groups)).tolist()
    return _Differences(**arrays, group=group, weight=weight), counts


def _bird(theta: Any, phi: Any, bird: _Differences) -> Any:
    rate = theta[0] + theta[3 + bird.group]
    expected = rate * bird.days - theta[1] * jnp.minimum(bird.days, 1.0) + theta[2] * bird.hours
    residual = (bird.gain - expected) * bird.there
    error, spread = jnp.exp(2 * phi[0]), jnp.exp(2 * phi[1])
    days = bird.days * bird.there
    shared = error * jnp.outer(bird.there, bird.there) + spread * jnp.outer(days, days)
    covariance = shared + jnp.diag(jnp.where(bird.there > 0, error, 1.0))
    root = jnp.linalg.cholesky(covariance)
    standard = jax.scipy.linalg.solve_triangular(root, residual, lower=True)
    count = bird.there.sum()
    log_density = (
        jax.scipy.special.gammaln((_TAIL_DF + count) / 2)
        - jax.scipy.special.gammaln(_TAIL_DF / 2)
        - 0.5 * count * jnp.log(_TAIL_DF * jnp.pi)
        - jnp.log(jnp.diag(root)).sum()
        - (_TAIL_DF + count) / 2 * jnp.log1p(standard @ standard / _TAIL_DF)
    )
    return bird.weight * log_density


def _negative_log_joint(
    theta: Any, phi: Any, birds: _Differences, scale_mean: Any, scale_sd: Any
) -> Any:
    log_likelihood = jax.vmap(_bird, in_axes=(None, None, _Differences(0, 0, 0, 0, 0, 0)))(
        theta, phi, birds
    ).sum()
    sd = jnp.concatenate(
        [
            jnp.array([_RATE_SD, _LOSS_SD, _HOUR_SD]),
            jnp.full(theta.shape[0] - 3, jnp.exp(phi[2])),
        ]
    )
    log_prior = -0.5 * ((theta / sd) ** 2).sum() - jnp.log(sd).sum()
    log_prior -= 0.5 * (((phi - scale_mean) / scale_sd) ** 2).sum()
    return -log_likelihood - log_prior


@jax.jit
def _derivatives(theta: Any, phi: Any, *data: Any) -> Any:
    value, gradient = jax.value_and_grad(_negative_log_joint)(theta, phi, *data)
    return value, gradient, jax.hessian(_negative_log_joint)(theta, phi, *data)


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
