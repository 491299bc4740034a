"""What instruments and hands add: rounding steps, wing error from repeats, true wings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.refusal import Refused

Array = npt.NDArray[np.float64]

ROUNDING_STEPS_G = (10.0, 5.0, 1.0, 0.5, 0.1, 0.05, 0.01)
# Wing chord of one bird measured twice differs by about this share of its length. Common
# practice, no source: used only where no bird was measured twice.
ASSUMED_WING_ERROR = 0.01
GROSS_SHARE = 0.01  # wings misread or written down wrongly, a priori
GROSS_LOG_SD = 0.5
UNMEASURED_LOG_SD = 0.04
_REPEATS_NEEDED = 10


def rounding_step_g(mass_g: npt.ArrayLike, share: float = 0.95) -> float:
    """Step to which masses were written down: the largest that fits nearly all of them.

    Parameters
    ----------
    mass_g : array-like
        Masses [g]; missing ones are passed over.
    share : float
        Share of masses that must be whole multiples of the step.

    Returns
    -------
    float
        One of `ROUNDING_STEPS_G`; the smallest where none fits.

    Notes
    -----
    A step is believed only with five masses or more and two different multiples of it.

    Examples
    --------
    >>> rounding_step_g([3.1, 3.4, 2.9, 3.0, 3.3, 3.6])
    0.1
    """
    mass = np.asarray(mass_g, dtype=float)
    mass = mass[np.isfinite(mass)]
    for step in ROUNDING_STEPS_G:
        multiples = mass / step
        whole = np.abs(multiples - np.round(multiples)) < 1e-3
        if mass.size >= 5 and whole.mean() >= share and np.unique(np.round(multiples)).size > 1:
            return step
    return ROUNDING_STEPS_G[-1]


def wing_error_share(band: npt.ArrayLike, wing_mm: npt.ArrayLike) -> tuple[float, int]:
    """Standard deviation of one wing measurement as a share of wing, from birds measured twice.

    The log differences of successive measurements of a bird have √2 times the error; a Student t
    of 4 degrees of freedom keeps slips of the pen from widening it.

    Returns
    -------
    share : float
        `ASSUMED_WING_ERROR` where fewer than ten differences exist.
    repeats : int
        Differences used.

    Examples
    --------
    >>> wing_error_share(["TEST-00001", "TEST-00002"], [40.0, 41.0])
    (0.01, 0)
    """
    from scipy.optimize import minimize_scalar
    from scipy.stats import t

    seen = pd.DataFrame({"band": band, "wing": np.asarray(wing_mm, dtype=float)}).dropna()
    seen = seen[seen["wing"] > 0]
    difference = np.log(seen["wing"]).groupby(seen["band"]).diff().dropna().to_numpy()
    if difference.size < _REPEATS_NEEDED:
        return ASSUMED_WING_ERROR, int(difference.size)
    found = minimize_scalar(
        lambda log_scale: -t.logpdf(difference, 4, scale=np.exp(log_scale)).sum(),
        bounds=(np.log(1e-4), np.log(0.2)),
        method="bounded",
    )
    return float(np.exp(found.x) / _T4_SHRINK / np.sqrt(2)), int(difference.size)


_T4_SHRINK = 0.8310  # scale of the t with 4 df nearest to N(0, 1) in likelihood; computed


class WingMoments(NamedTuple):
    """True log wing of each bird given what was written down."""

    mean: Array
    variance: Array


@dataclass(frozen=True)
class WingDistribution:
    """True log wing in each group: (mean, variance with the doubt of the mean)."""

    groups: dict[str, tuple[float, float]]

    @classmethod
    def learn(
        cls, wing_mm: pd.Series[float], group: pd.Series[str], species: pd.Series[str], error: float
    ) -> WingDistribution:
        """Robust centre and spread of each group; a small group borrows from its species.

        In a species without a single wing all birds count as of one size, give or take 4 %.

        Parameters
        ----------
        wing_mm, group, species : Series
            One row a bird; missing wings are passed over.
        error : float
            Standard deviation of a wing measurement as a share of wing.
        """
        birds = pd.DataFrame({"wing": np.log(wing_mm.astype(float)), "group": group,
                              "species": species})  # fmt: skip
        birds["residual"] = birds["wing"] - birds.groupby("group")["wing"].transform("median")
        groups = {}
        for _, of_species in birds.groupby("species"):
            measured = of_species["wing"].dropna().to_numpy()
            scatter = 1.4826 * float(of_species["residual"].abs().median())
            sd = max(scatter if np.isfinite(scatter) else 0.0, 1.5 * error)
            for name, rows in of_species.groupby("group"):
                if not measured.size:
                    groups[str(name)] = (0.0, UNMEASURED_LOG_SD**2)
                    continue
                centre, doubt = _group_centre(rows["wing"].dropna().to_numpy(), measured, sd)
                groups[str(name)] = (centre, sd**2 - error**2 + doubt)
        return cls(groups)

    def true_log_wing(
        self, wing_mm: Array, group: npt.NDArray[Any], error: float | Array
    ) -> WingMoments:
        """Expected true log wing and its variance, given the measurement.

        A wing far out of its group's distribution is probably a slip, and counts as missing to
        that degree; a missing wing has the group's own distribution.

        Examples
        --------
        >>> wing = pd.Series([40.0, 41.0, 42.0, float("nan")])
        >>> names = pd.Series(["a"] * 4)
        >>> wings = WingDistribution.learn(wing, names, names, 0.01)
        >>> moments = wings.true_log_wing(wing.to_numpy(), names.to_numpy(), 0.01)
        >>> bool(moments.variance[3] > 2 * moments.variance[0])
        True
        """
        centre, spread = np.array([self.groups[name] for name in group]).T
        return _given_measurement(np.log(wing_mm), centre, spread, error**2)


def _group_centre(seen: Array, of_species: Array, sd: float) -> tuple[float, float]:
    """Mean log wing of a group and its variance; groups differ by about 5 % about the species."""
    middle = float(np.median(of_species))
    if not seen.size:
        return middle, 0.05**2
    precision = seen.size / sd**2
    weight = precision / (precision + 0.05**-2)
    return weight * float(np.median(seen)) + (1 - weight) * middle, 1 / (precision + 0.05**-2)


def _given_measurement(
    wing: Array, centre: Array, spread: Array, error: float | Array
) -> WingMoments:
    missing = np.isnan(wing)
    away = np.where(missing, 0.0, wing - centre)
    fair = (1 - GROSS_SHARE) * _normal(away, spread + error)
    gross = GROSS_SHARE * _normal(away, spread + GROSS_LOG_SD**2)
    believed = np.where(missing, 0.0, fair / (fair + gross))
    pull = spread / (spread + error)
    mean = centre + believed * pull * away
    between = believed * (1 - believed) * (pull * away) ** 2
    return WingMoments(mean, believed * pull * error + (1 - believed) * spread + between)


def _normal(away: Array, variance: Array) -> Array:
    return np.asarray(np.exp(-0.5 * away**2 / variance) / np.sqrt(variance))


def observer_differences(residual: npt.ArrayLike, observer: npt.ArrayLike) -> pd.DataFrame:
    """How far each observer's readings sit from the others', shrunk where readings are few.

    With m the median residual of an observer about the mean of all, and V its variance,

        difference = m S / (S + V),    S = [Σ m² / V − (k − 1)] / [Σ 1 / V − Σ V⁻² / Σ V⁻¹],

    S being the variance between the k observers.

    Parameters
    ----------
    residual : array-like, (n,)
        Reading less what is expected of the bird, such as log wing less its group's mean;
        missing values are passed over.
    observer : array-like, (n,)
        Who read.

    Returns
    -------
    DataFrame
        observer, readings, estimate, low, high (90 %), in the unit of `residual`.

    Raises
    ------
    Refused
        With fewer than two observers, or readings without any scatter.

    Notes
    -----
    Observers who work on different days or sites meet different birds: a difference is theirs
    only as far as `residual` has taken the birds out.

    References
    ----------
    DerSimonian, R. & Laird, N. (1986), Control. Clin. Trials 7:177,
    doi:10.1016/0197-2456(86)90046-2.

    Examples
    --------
    >>> table = observer_differences([9.0, 10.0, 11.0, -12.0, -10.0, -9.0], ["A"] * 3 + ["B"] * 3)
    >>> table["estimate"].round(1).tolist()
    [9.9, -9.9]
    """
    readings = pd.DataFrame({"observer": observer, "r": np.asarray(residual, dtype=float)}).dropna()
    by = readings.groupby("observer")["r"]
    middle = by.median()
    scatter = 1.4826 * float((readings["r"] - readings["observer"].map(middle)).abs().median())
    count = by.size()
    if len(count) < 2 or scatter == 0:
        raise Refused("observers are compared where two or more have readings that scatter")
    error = scatter**2 * np.pi / 2 / count  # of a median
    weight = 1 / error
    away = middle - (weight * middle).sum() / weight.sum()
    excess = float((weight * away**2).sum()) - (len(count) - 1)
    between = max(excess / float(weight.sum() - (weight**2).sum() / weight.sum()), 0.0)
    pull = between / (between + error)
    spread = 1.645 * np.sqrt(pull * error)
    table = pd.DataFrame({"readings": count, "estimate": pull * away})
    table["low"], table["high"] = table["estimate"] - spread, table["estimate"] + spread
    return table.reset_index()
