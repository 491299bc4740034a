"""When birds are present: arrival, peak and departure by group, site and season."""

from __future__ import annotations

from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.models.inference import double_precision
from phenology.models.learning import SiteYears, learning_shares
from phenology.models.refusal import Refused
from phenology.models.season_answers import (
    answers_of_site,
    captured_dates,
    date_slopes,
    draw_predictors,
    level_slopes,
    season_columns,
)
from phenology.models.season_arrow import column_weights
from phenology.models.season_counts import SeasonCounts
from phenology.models.season_density import Coefficients, cell_predictors, prior_sds
from phenology.models.season_design import (
    BOTH,
    Design,
    Sizes,
    design_arrays,
    effort_centres,
    first_guess,
    touched,
)
from phenology.models.season_forecast import Posterior
from phenology.models.season_laplace import LaplaceFit, draw_laplace, fit_laplace
from phenology.models.season_sampled import draw_sampled
from phenology.quantities import ROLES

Array = npt.NDArray[Any]
DATES = ("arrival_day", "peak_day", "departure_day")
CAPTURE_DATES = ("first_capture_day", "median_capture_day", "last_capture_day")
DAY_STEP = 1.0  # of the grid on which curves are summed [days]
WELL_SAMPLED_DAYS = 8  # in a site-year
FEWEST_SEASONS = 3  # well-sampled site-years from which the Laplace approximation is trusted
FEWEST_POINTS = 4.0  # hyperparameter points that must carry the weight of the draws


class SeasonModel:
    """Counts of one species by group, site and season, as a plateau, a pulse, or both.

    count ~ negative binomial(μ, k),
    log μ = a·log effort + catchability + log(local plateau + passage pulse),

    with the curves of `phenology.models.season_curves`; every predictor is the group's own plus
    normal shifts of site, year and site-year. Priors follow the window, not a calendar
    (`season_design`).

    Parameters
    ----------
    draws : int
        Posterior draws.
    points : int
        Hyperparameter points at which the draws are made.
    seed : int
    nectar_prior : tuple of float, optional
        Mean and standard deviation of the slope of log catches at baited traps on log nectar.
    method : {"auto", "laplace", "sampled"}
        Nested Laplace approximation, or NUTS; "auto" takes the first where at least three
        site-years were sampled on eight days or more and its own checks pass.
    warmup : int
        Of each chain, where sampled.

    Attributes
    ----------
    draws_ : Dataset
        arrival_day, peak_day, departure_day (draw, role, group, site, season) [day of year];
        capture_index (draw, group, site, season), ratio to the site's typical season;
        pooled_arrival_day and so on (draw, role, group, site), of all sampled seasons summed;
        together_arrival_day and so on (draw, role, site), of all groups as well.
        Missing where a role is not modelled. first_capture_day, median_capture_day,
        last_capture_day (draw, group): days by which 5, 50 and 95 % of the captures expected on
        the days sampled were made, all sites and seasons together.
    curves_ : Dataset
        present (draw, role, group, site, season, day) and pooled (draw, role, group, site, day)
        [birds a day at typical effort].
    shares_ : DataArray
        (quantity, role, group, site, season, share): own, borrowed, prior.
    sampled_ : DataArray
        (site, season), days sampled.
    diagnostics_ : DataFrame
        statistic, value, threshold, passed, meaning.
    method_ : {"laplace", "sampled"}
        How the draws were made.
    posterior_ : Posterior
        Draws of the coefficients themselves, from which `season_forecast` expects counts.

    Notes
    -----
    Not to be believed where captures are baited and natural bloom is not known: what looks like
    late birds may be late bait. A date at a site sampled one day a year is borrowed from other
    sites; its shares say so.

    Examples
    --------
    >>> import numpy as np
    >>> days = np.arange(190.0, 261.0, 2)
    >>> expected = 6 * np.exp(-(((days - 225) / 9) ** 2) / 2)
    >>> counts = SeasonCounts(
    ...     count=np.random.default_rng(1).poisson(expected), group=np.zeros(36, int),
    ...     site=np.zeros(36, int), season=np.zeros(36, int), day=days,
    ...     groups=("Selasphorus rufus",), sites=("fork",), seasons=("2031",),
    ...     roles=("passage",), first_day=180.0, last_day=270.0)
    >>> model = SeasonModel(draws=200).fit(counts)
    >>> bool(abs(model.draws_["peak_day"].sel(role="passage").median() - 225) < 4)
    True
    """

    def __init__(
        self,
        draws: int = 400,
        points: int = 64,
        seed: int = 1,
        nectar_prior: tuple[float, float] | None = None,
        method: str = "auto",
        warmup: int = 200,
    ) -> None:
        self.draws = draws
        self.points = points
        self.seed = seed
        self.method = method
        self.warmup = warmup
        self.nectar_prior = nectar_prior

    def fit(self, counts: SeasonCounts) -> SeasonModel:
        """Fit to the counts of one species.

        Raises
        ------
        Refused
            If no bird was counted, or the fit fails its checks.
        """
        if not counts.count.any():
            raise Refused("no bird was counted: there is no season to describe")
        with double_precision():
            sizes, laid = design_arrays(counts, nectar_prior=self.nectar_prior)
            design = jax.tree.map(jnp.asarray, laid)
            own = jnp.zeros((sizes.sites, sizes.seasons, sizes.local))
            start = Coefficients(jnp.asarray(first_guess(counts, sizes, laid.prior_mean)), own)
            fit = fit_laplace(start, design, sizes)
            hyper, drawn = self._draw(fit, design, sizes, _sampled_days(counts))
            failed = self.diagnostics_[~self.diagnostics_["passed"]]
            if len(failed):
                raise Refused(
                    "the season model failed its checks; it could not be shown that "
                    f"{failed['meaning'].iloc[0]}"
                )
            self.posterior_ = Posterior(
                hyper, drawn, sizes, np.asarray(design.drivers), effort_centres(counts)
            )
            self._answer(counts, drawn, design, sizes)
            self._share(counts, fit, design, sizes)
        return self

    def _draw(
        self, fit: LaplaceFit, design: Design, sizes: Sizes, sampled: Array
    ) -> tuple[Array, Coefficients]:
        """Draw by the method asked for; "auto" samples where the quick way cannot be trusted."""
        well_sampled = int((sampled >= WELL_SAMPLED_DAYS).sum())
        if self.method == "laplace" or (self.method == "auto" and well_sampled >= FEWEST_SEASONS):
            hyper, drawn, share = draw_laplace(
                fit, design, sizes, draws=self.draws, points=self.points, seed=self.seed
            )
            self.diagnostics_ = _diagnose(fit, share, self.points)
            self.method_ = "laplace"
            if self.method == "laplace" or self.diagnostics_["passed"].all():
                return hyper, drawn
        hyper, drawn, self.diagnostics_ = draw_sampled(
            fit, design, sizes, draws=self.draws, warmup=self.warmup, seed=self.seed
        )
        self.method_ = "sampled"
        return hyper, drawn

    def _answer(
        self, counts: SeasonCounts, drawn: Coefficients, design: Design, sizes: Sizes
    ) -> None:
        middle = (counts.first_day + counts.last_day) / 2
        days = np.arange(counts.first_day, counts.last_day + DAY_STEP, DAY_STEP)
        shared, local = jnp.asarray(drawn.shared), jnp.asarray(drawn.local)
        in_season, typical = draw_predictors(shared, local, design, sizes)
        sampled = _sampled_days(counts)
        pooled = _pooled_days(counts, sizes, days)
        groups, sites, seasons = (len(x) for x in (counts.groups, counts.sites, counts.seasons))
        present = np.asarray(design.present)[:groups]
        told: dict[str, list[Array]] = {}
        for site in range(sites):
            answers = answers_of_site(
                in_season[:, :, site], typical[:, :, site], jnp.asarray(days - middle),
                jnp.asarray(design.present)[:, site], jnp.asarray(pooled[site]),
            )  # fmt: skip
            kept = {name: np.array(values) for name, values in answers.items()}
            absent = ~present[:, site]  # group, role
            for name in ("dates", "curve"):
                kept[name] = kept[name][:, :groups, :seasons]
                kept[name][:, np.broadcast_to(absent[:, None], kept[name].shape[1:4])] = np.nan
            for name in ("pooled_dates", "pooled_curve"):
                kept[name] = kept[name][:, :groups]
                kept[name][:, absent] = np.nan
            kept["together_dates"][:, absent.all(0)] = np.nan
            kept["log_index"] = kept["log_index"][:, :groups, :seasons]
            for name, values in kept.items():
                told.setdefault(name, []).append(values)
        dates = np.stack(told["dates"], 2) + middle
        pooled_dates = np.stack(told["pooled_dates"], 2) + middle
        together = np.stack(told["together_dates"], 1) + middle  # draw, site, role, date
        coords = {
            "role": list(ROLES),
            "group": list(counts.groups),
            "site": list(counts.sites),
            "season": list(counts.seasons),
        }
        yearly = ("draw", "role", "group", "site", "season")
        whole = ("draw", "role", "group", "site")
        variables: dict[str, Any] = {
            "capture_index": (
                ("draw", "group", "site", "season"), np.exp(np.stack(told["log_index"], 2))
            ),
        }  # fmt: skip
        for number, name in enumerate(DATES):
            variables[name] = (yearly, np.moveaxis(dates[..., number], 4, 1))
            variables[f"pooled_{name}"] = (whole, np.moveaxis(pooled_dates[..., number], 3, 1))
            every = np.moveaxis(together[..., number], 2, 1)
            variables[f"together_{name}"] = (("draw", "role", "site"), every)
        captured = captured_dates(shared, local, design, sizes, jnp.asarray(days - middle))
        for number, name in enumerate(CAPTURE_DATES):
            drawn_days = np.asarray(captured)[:, :groups, number] + middle
            variables[name] = (("draw", "group"), drawn_days)
        self.draws_ = xr.Dataset(variables, coords=coords)
        curve, pooled_curve = np.stack(told["curve"], 2), np.stack(told["pooled_curve"], 2)
        self.curves_ = xr.Dataset(
            {
                "present": ((*yearly, "day"), np.moveaxis(curve, 4, 1)),
                "pooled": ((*whole, "day"), np.moveaxis(pooled_curve, 3, 1)),
            },
            coords=coords | {"day": days},
        )
        self.sampled_ = xr.DataArray(
            sampled,
            dims=("site", "season"),
            coords={"site": coords["site"], "season": coords["season"]},
        )

    def _share(self, counts: SeasonCounts, fit: LaplaceFit, design: Design, sizes: Sizes) -> None:
        index, acts = touched(sizes)
        sd = prior_sds(jnp.asarray(fit.hyper), design)
        factor = fit.factor
        parts = SiteYears(
            own=np.asarray(factor.own),
            border=np.asarray(factor.border),
            shared=np.asarray(factor.shared),
            information=np.asarray(factor.information),
            touched=index,
            own_sd=np.asarray(sd.local),
            shared_sd=np.asarray(sd.shared),
        )
        middle = (counts.first_day + counts.last_day) / 2
        days = jnp.arange(counts.first_day, counts.last_day + DAY_STEP, DAY_STEP) - middle
        predictors = cell_predictors(fit.coefficients, design, sizes)
        to_dates = date_slopes(predictors, days)  # group, site, season, role, date, predictor
        to_level = level_slopes(predictors.shape[:3])  # group, site, season, role, predictor
        per_predictor = np.concatenate([to_dates, to_level[..., None, :]], axis=-2)
        weights = np.asarray(column_weights(design, sizes))
        ones = np.ones((*weights.shape[:2], sizes.local))
        weights = np.concatenate([ones, weights], -1)
        asked = np.zeros((sizes.sites, sizes.seasons), bool)
        asked[: len(counts.sites), : len(counts.seasons)] = True
        shares = []
        for group in range(len(counts.groups)):
            acting = np.clip(acts[group], 0, BOTH)
            on = (acts[group] >= 0) & (acts[group] <= BOTH)
            slopes = per_predictor[group][..., acting] * on * weights[:, :, None, None, :]
            slopes[..., len(DATES), ~season_columns(sizes, index[0, 0])] = 0.0
            shape = slopes.shape
            flat = slopes.reshape(*shape[:2], -1, shape[-1])
            shares.append(learning_shares(parts, flat, asked).reshape(*shape[:-1], 3))
        table = np.stack(shares)[:, : len(counts.sites), : len(counts.seasons)]
        self.shares_ = xr.DataArray(
            np.moveaxis(table, [4, 3, 0, 1, 2, 5], range(6)),
            dims=("quantity", "role", "group", "site", "season", "share"),
            coords={
                "quantity": [*DATES, "capture_index"],
                "role": list(ROLES),
                "group": list(counts.groups),
                "site": list(counts.sites),
                "season": list(counts.seasons),
                "share": ["own", "borrowed", "prior"],
            },
        )


def _pooled_days(counts: SeasonCounts, sizes: Sizes, days: Array) -> Array:
    """1 where a day of a site's season counts in the curve of all seasons together."""
    pooled = np.zeros((sizes.sites, sizes.seasons, len(days)))
    for site, season in np.unique(np.stack([counts.site, counts.season], 1), axis=0):
        rows = counts.day[(counts.site == site) & (counts.season == season)]
        worked = (days >= rows.min()) & (days <= rows.max())
        pooled[site, season] = 1.0 if counts.effort_known else worked
    return pooled


def _sampled_days(counts: SeasonCounts) -> Array:
    """Days sampled at each site in each season."""
    table = np.zeros((len(counts.sites), len(counts.seasons)), int)
    rows = np.unique(np.stack([counts.site, counts.season, counts.day], 1), axis=0)
    np.add.at(table, (rows[:, 0].astype(int), rows[:, 1].astype(int)), 1)
    return table


def _diagnose(fit: LaplaceFit, share: float, points: int) -> pd.DataFrame:
    effective = share * points
    checks = [
        (
            "Newton decrement", fit.decrement, 1e-3, fit.decrement < 1e-3,
            "the coefficients settled at a mode",
        ),
        (
            "effective hyperparameter points", effective, FEWEST_POINTS,
            effective >= FEWEST_POINTS, "the draws do not hang on a few points",
        ),
    ]  # fmt: skip
    columns = ["statistic", "value", "threshold", "passed", "meaning"]
    return pd.DataFrame(checks, columns=columns)
