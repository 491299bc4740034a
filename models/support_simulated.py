"""Studies from the support model's own family, with their truth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import expit

from phenology.models.mixed_arrowhead import Array, Integers
from phenology.models.mixed_effects import generalised_least_squares
from phenology.models.mixed_effects_rows import sum_rows
from phenology.models.support_contrasts import CONTRASTS
from phenology.models.support_design import RoleDesign, build_design, site_days
from phenology.models.support_fit import LOGISTIC_SD
from phenology.quantities import ROLES

FeederPlacing = Literal["by_chance", "by_need", "by_quality", "never_varying"]
SDS = {"site": 0.5, "season": 0.3, "site_season": 0.25, "group": 0.3, "cell": 0.2, "bird": 1.0}
DAYS = np.arange(185, 266, 7)
USUAL_ONSET = 185.0  # day of year
GROUPS = ("adult female", "adult male", "young")
DRIVERS = ("bloom", "feeders", "monsoon_onset", "feeders_x_bloom")
HALF_SD = 0.5  # of a bird, the least size of a true effect that power is told for
_TO_90 = 3.2897  # width of the central 90 % of a normal distribution, in standard deviations


@dataclass(frozen=True)
class SimulatedSupport:
    """A study and what made it.

    Attributes
    ----------
    birds : DataFrame
        As `SupportModel.fit` takes them.
    outcome : ndarray, (n,)
    p_local : ndarray, (n,)
        Chance of being local as a calibrated model would give it.
    local : ndarray of bool, (n,)
        What each bird is.
    truth : DataFrame
        role, driver, effect (for the change of `CONTRASTS`), oracle_width: of the 90 % interval
        of one who knows roles and standard deviations; large: whether the effect on the
        predictor is at least `HALF_SD`, either way.
    """

    birds: pd.DataFrame
    outcome: Array
    p_local: Array
    local: npt.NDArray[np.bool_]
    truth: pd.DataFrame


def simulate_support(
    rng: np.random.Generator,
    *,
    sites: int = 8,
    seasons: int = 12,
    birds_a_season: float = 30.0,
    feeders: FeederPlacing = "by_chance",
    effects: Mapping[str, Mapping[str, float]] | None = None,
    kind: Literal["mean", "share"] = "mean",
    bloom_reliability: float = 1.0,
    roles_known: float = 1.0,
) -> SimulatedSupport:
    """Simulate birds of both roles at some sites and seasons.

    Parameters
    ----------
    rng : Generator
    sites, seasons : int
    birds_a_season : float
        Expected birds a site and season, both roles together.
    feeders : str
        Hung by chance, where and when bloom is poor, at the better sites, or always everywhere.
    effects : mapping of role to mapping of driver to float, optional
        Effects for the changes of `CONTRASTS`, in standard deviations of a bird: those of one
        role, group, site and day, between whom alone outcomes scatter by 1 (a logit, by the
        logistic's); over all birds they scatter by 1.2, so that .5 is .4 of that. Drawn from −.5,
        0 and .5 by default. That of bloom holds without feeders.
    kind : {"mean", "share"}
    bloom_reliability : float
        Share of the variance of bloom that its estimate knows.
    roles_known : float
        Share of birds whose role is certain.

    Examples
    --------
    >>> simulated = simulate_support(np.random.default_rng(2), sites=2, seasons=2)
    >>> sorted(simulated.truth["driver"].unique())
    ['bloom', 'feeders', 'feeders_x_bloom', 'monsoon_onset']
    """
    if effects is None:
        effects = draw_effects(rng)
    quality = rng.normal(0, SDS["site"], sites)
    counts = rng.poisson(birds_a_season, (sites, seasons))
    site, season = (places.ravel().repeat(counts.ravel()) for places in np.indices(counts.shape))
    visit = rng.integers(DAYS.size, size=site.size)
    cell = (site * seasons + season) * DAYS.size + visit
    known_bloom, bloom = _bloom(rng, sites, seasons, bloom_reliability)
    onset = _onset(rng, sites, seasons)
    up = _feeders(rng, feeders, quality, known_bloom)
    p_local = np.where(
        rng.random(site.size) < roles_known,
        (rng.random(site.size) < 0.5).astype(float),
        rng.beta(1.0, 1.0, site.size),
    )
    local = rng.random(site.size) < p_local
    group = rng.integers(len(GROUPS), size=site.size)
    birds = pd.DataFrame(
        {
            "site": [f"site{number + 1}" for number in site],
            "season": 2031 + season,
            "day": DAYS[visit],
            "group": np.array(GROUPS)[group],
            "bloom": known_bloom.ravel()[cell],
            "feeders": up.ravel()[cell],
            "monsoon_onset": onset[site, season],
        }
    )
    base = (
        quality[site]
        + rng.normal(0, SDS["season"], seasons)[season]
        + rng.normal(0, SDS["site_season"], sites * seasons)[site * seasons + season]
        + rng.normal(0, SDS["group"], len(GROUPS))[group]
        + rng.normal(0, SDS["cell"] if kind == "mean" else 0.0, up.size)[cell]
        + 0.2 * np.sin((DAYS[visit] - 185) / 40)
    )
    truly = birds.assign(bloom=bloom.ravel()[cell])
    linear = base + np.where(
        local, _response(truly, effects["local"]), _response(truly, effects["passage"])
    )
    if kind == "mean":
        outcome = linear + rng.normal(0, SDS["bird"], site.size)
        truth = _truth_of_means(birds, local, effects)
    else:
        outcome = (rng.random(site.size) < expit(LOGISTIC_SD * linear)).astype(float)
        truth = _truth_of_shares(truly, local, effects, linear)
    return SimulatedSupport(birds, outcome, p_local, local, truth)


def draw_effects(
    rng: np.random.Generator,
    drivers: tuple[str, ...] = DRIVERS,
    sizes: tuple[float, ...] = (-HALF_SD, 0.0, HALF_SD),
) -> dict[str, dict[str, float]]:
    """Effects of both roles, each of one of the sizes [standard deviations of a bird]."""
    return {role: {driver: float(rng.choice(sizes)) for driver in drivers} for role in ROLES}


def _bloom(
    rng: np.random.Generator, sites: int, seasons: int, reliability: float
) -> tuple[Array, Array]:
    """Bloom index as estimated and as it is, (site, season, visit)."""

    def layer(share: float) -> Array:
        drawn: Array = (
            rng.normal(0, 0.3, (sites, 1, 1))
            + rng.normal(0, 0.4, (1, seasons, 1))
            + rng.normal(0, 0.4, (sites, seasons, 1))
            + rng.normal(0, 0.2, (sites, seasons, DAYS.size))
        )
        return float(np.sqrt(share)) * drawn

    known = layer(reliability)
    return known, known + layer(1 - reliability)


def _onset(rng: np.random.Generator, sites: int, seasons: int) -> Array:
    return np.asarray(
        USUAL_ONSET
        + rng.normal(0, 9, (1, seasons))
        + rng.normal(0, 4, (sites, 1))
        + rng.normal(0, 2, (sites, seasons))
    )


def _feeders(
    rng: np.random.Generator, placing: FeederPlacing, quality: Array, bloom: Array
) -> Array:
    """Feeders by site, season and visit: none, all season, or from some visit on."""
    sites, seasons, visits = bloom.shape
    if placing == "never_varying":
        return np.ones(bloom.shape)
    leaning = {
        "by_chance": np.zeros((sites, seasons)),
        "by_need": -4.0 * bloom.mean(axis=2),
        "by_quality": np.repeat(3.0 * quality[:, None] / SDS["site"], seasons, axis=1),
    }[placing]
    hung = np.asarray(rng.random((sites, seasons)) < expit(leaning))
    start = np.where(
        rng.random((sites, seasons)) < 0.5, 0, rng.integers(visits, size=(sites, seasons))
    )
    return (hung[..., None] & (np.arange(visits) >= start[..., None])).astype(float)


def _response(birds: pd.DataFrame, effects: Mapping[str, float]) -> Array:
    values = birds.assign(
        feeders_x_bloom=birds["feeders"] * birds["bloom"],
        monsoon_onset=birds["monsoon_onset"] - USUAL_ONSET,
    )
    slopes = np.array([effects.get(driver, 0.0) / CONTRASTS[driver].change for driver in DRIVERS])
    response: Array = values[list(DRIVERS)].to_numpy(dtype=float) @ slopes
    return response


def _truth_of_means(
    birds: pd.DataFrame, local: npt.NDArray[np.bool_], effects: Mapping[str, Mapping[str, float]]
) -> pd.DataFrame:
    records = []
    for role in ROLES:
        member = local == (role == "local")
        design = build_design(birds[member], np.ones(member.sum()))
        widths = _oracle_widths(design, site_days(birds[member]))
        for driver in DRIVERS:
            effect = effects[role].get(driver, 0.0)
            if driver == "bloom":  # quoted at the mean of feeders
                effect += design.feeder_share * effects[role].get("feeders_x_bloom", 0.0)
            record = {"role": role, "driver": driver, "effect": effect, "large": _large(effect)}
            records.append(record | {"oracle_width": widths[driver]})
    return pd.DataFrame(records)


def _oracle_widths(design: RoleDesign, cells: Integers) -> dict[str, float]:
    """Widths by generalised least squares, standard deviations known, no prior."""
    moving = np.ptp(design.columns, axis=0) > 1e-9
    moving[0] = True
    moving[list(design.between.values())] = False
    sums = sum_rows(
        np.zeros(len(design.columns)), design.columns[:, moving], design.effects, None, cells
    )
    sds = np.array([SDS["bird"], *(SDS[effect.name] for effect in design.effects), SDS["cell"]])
    errors = np.full(len(moving), np.nan)
    covariance = generalised_least_squares(sums, sds).covariance
    errors[moving] = np.sqrt(np.diag(covariance))
    return {
        driver: float(_TO_90 * errors[column] * abs(CONTRASTS[driver].change))
        for driver, column in design.within.items()
    }


def _truth_of_shares(
    birds: pd.DataFrame,
    local: npt.NDArray[np.bool_],
    effects: Mapping[str, Mapping[str, float]],
    linear: Array,
) -> pd.DataFrame:
    """Mean change of the share over the birds of a role, at the stated change of a driver."""
    records = []
    for role in ROLES:
        member = local == (role == "local")
        own, logit = birds[member], LOGISTIC_SD * linear[member]
        for driver in DRIVERS[:3]:
            effect = effects[role].get(driver, 0.0)
            step = np.full(member.sum(), effect) * LOGISTIC_SD
            before = logit - (step * own["feeders"] if driver == "feeders" else 0.0)
            change = float((expit(before + step) - expit(before)).mean())
            record = {"role": role, "driver": driver, "effect": change, "large": _large(effect)}
            records.append(record | {"oracle_width": np.nan})
    return pd.DataFrame(records)


def _large(effect: float) -> bool:
    return abs(effect) >= HALF_SD - 1e-9
