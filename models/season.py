"""When birds are present: arrival, peak and departure by group, site and season."""

from __future__ import annotations

from typing import Any

import jax
import jax.numpy as jnp
import numpy.typing as npt
import pandas as pd

from phenology.models.checks import at_most, table_of_checks
from phenology.models.inference import double_precision
from phenology.models.refusal import Refused
from phenology.models.season_counts import SeasonCounts, days_sampled
from phenology.models.season_density import Coefficients
from phenology.models.season_design import Design, design_arrays, effort_centres, first_guess
from phenology.models.season_draws import Draws, draw_laplace
from phenology.models.season_forecast import Posterior
from phenology.models.season_laplace import LaplaceFit, fit_laplace
from phenology.models.season_moved import draw_moved
from phenology.models.season_predictors import Sizes
from phenology.models.season_sampled import draw_sampled
from phenology.models.season_shares import season_shares
from phenology.models.season_told import season_curves_and_draws
from phenology.models.season_traits import learn_traits, move_by_doubt

Array = npt.NDArray[Any]
WELL_SAMPLED_DAYS = 8  # in a site-year
FEWEST_SEASONS = 3  # well-sampled site-years from which the Laplace approximation is trusted
MANY_CELLS = 400  # group × site × season, above which fewer points are taken
MOST_MOVED = 20_000  # counts, beyond which moving takes long: at 35,000 it widened draws by < 2 %
MOST_SAMPLED = 10_000  # counts, beyond which sampling takes hours
LARGEST_DECREMENT = 1e-3  # log units
MOST_CUT = 0.8  # share of the hyperparameters' weight that truncation may cut off
MOST_DENIED = 0.05  # share of draws that the counts deny, none other found


class SeasonModel:
    """Counts of one species by group, site and season, as a plateau, a pulse, or both.

    count ~ negative binomial(μ, k),
    log μ = a·log effort + catchability + log(local plateau + passage pulse),

    with the curves of `phenology.models.season_curves`; every predictor is the group's own plus
    normal shifts of site, year, site-year and drivers; a group's fall, tail and numbers have
    shifts of their own in each site-year. Priors follow the window, not a calendar
    (`season_predictors`). Dates are those of a finite flock about the curve (`season_presence`).

    Parameters
    ----------
    draws : int
        Posterior draws.
    points : int
        Hyperparameter points at which the draws are made; fewer where many site-years leave little
        doubt of the hyperparameters, down to a quarter.
    seed : int
    nectar_prior : tuple of float, optional
        Mean and standard deviation of the slope of log catches at baited traps on log nectar.
    method : {"auto", "laplace", "moved", "sampled"}
        Nested Laplace approximation less the draws that the counts deny (`season_denied`), the
        same with its draws moved toward the exact posterior (`season_moved`), or NUTS. "auto"
        samples where fewer than three site-years were sampled on eight days or more, or where
        checks of the others fail and there are no more than 10,000 counts; it moves the draws
        unless there are more than 20,000.
    warmup : int
        Of each chain, where sampled.

    Attributes
    ----------
    draws_ : Dataset
        arrival_day, peak_day, departure_day (draw, role, group, site, season) [day of year], of
        birds present as a finite flock lives it; capture_index (draw, group, site, season), ratio
        to the site's typical season; pooled_arrival_day and so on (draw, role, group, site), of
        the curve of all sampled seasons summed; together_arrival_day and so on (draw, role,
        site), of all groups as well; driver_effect (draw, driver, moved), change of rise, fall
        and peak [days] and of log numbers per unit of each driver; catchability (draw, covariate),
        change of log catches with log effort, in nets, in counts, with log nectar at baited traps
        and at nets, with rival feeders. Missing where a role is not
        modelled.
    curves_ : Dataset
        present (quantile, role, group, site, season, day), pooled and first_captured (quantile,
        role, group, site, day), the mean of all sampled seasons [expected birds a day at typical
        effort]: 5 %, 50 % and 95 % of the draws. First captures are those of traps worked every
        day.
    shares_ : DataArray
        (quantity, role, group, site, season, share): own, borrowed, prior.
    sampled_ : DataArray
        (site, season), days sampled.
    diagnostics_ : DataFrame
        statistic, value, threshold, passed, meaning.
    method_ : {"laplace", "moved", "sampled"}
        How the draws were made.
    posterior_ : Posterior
        Draws of the coefficients themselves, from which `season_forecast` expects counts.

    Notes
    -----
    Not to be believed where captures are baited and natural bloom is not known: what looks like
    late birds may be late bait. A date of a season sampled on one day is borrowed, whatever its
    own share: that rests on what others say of numbers. Where roles are mixed, traits of the birds
    caught share the likelihood (`season_traits`); without them the two curves may be taken for one
    another.

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
    >>> model = SeasonModel(draws=200, method="laplace").fit(counts)
    >>> bool(abs(model.draws_["peak_day"].sel(role="passage").median() - 225) < 4)
    True
    """

    def __init__(
        self,
        draws: int = 400,
        points: int = 128,
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
            sizes, laid = design_arrays(counts, self.nectar_prior)
            design = jax.tree.map(jnp.asarray, laid)
            own = jnp.zeros((sizes.sites, sizes.seasons, sizes.local))
            start = Coefficients(jnp.asarray(first_guess(counts, sizes, laid.prior_mean)), own)
            traits = counts.traits
            if traits is not None and traits.levels is not None:
                start, traits, laid = learn_traits(start, counts, traits, laid, sizes)
                design = jax.tree.map(jnp.asarray, laid)
            fit = fit_laplace(start, design, sizes)
            hyper, drawn = self._draw(fit, design, sizes, counts)
            if traits is not None and traits.levels is not None:
                drawn = move_by_doubt(drawn, fit, counts, traits, laid, sizes, self.seed)
            failed = self.diagnostics_[~self.diagnostics_["passed"]]
            if len(failed):
                raise Refused(
                    "the season model failed its checks; it could not be shown that "
                    f"{failed['meaning'].iloc[0]}"
                )
            self.posterior_ = Posterior(hyper, drawn, sizes, laid.drivers, effort_centres(counts))
            self.shares_ = season_shares(counts, fit, laid, sizes)
        self.draws_, self.curves_ = season_curves_and_draws(
            counts, drawn, laid, sizes, seed=self.seed
        )
        self.sampled_ = days_sampled(counts)
        return self

    def _draw(
        self, fit: LaplaceFit, design: Design, sizes: Sizes, counts: SeasonCounts
    ) -> tuple[Array, Coefficients]:
        """Draw by the method asked for; "auto" samples where the quick way cannot be trusted."""
        well_sampled = int((days_sampled(counts) >= WELL_SAMPLED_DAYS).sum())
        asked = self.method
        if asked == "auto":
            fast = "moved" if counts.count.size <= MOST_MOVED else "laplace"
            asked = fast if well_sampled >= FEWEST_SEASONS else "sampled"
        if asked != "sampled":
            cells = sizes.groups * sizes.sites * sizes.seasons
            points = max(self.points * min(MANY_CELLS / cells, 1.0) ** 2, self.points / 4)
            quick = draw_laplace(
                fit, design, sizes, draws=self.draws, points=round(points), seed=self.seed
            )
            hyper, drawn = quick.hyper, quick.coefficients
            self.method_, self.diagnostics_ = asked, _diagnose(fit, quick)
            if asked == "moved":
                drawn, checks = draw_moved(fit, hyper, drawn, design, sizes, seed=self.seed)
                self.diagnostics_ = pd.concat([self.diagnostics_, checks], ignore_index=True)
            too_many = counts.count.size > MOST_SAMPLED
            if self.method != "auto" or too_many or self.diagnostics_["passed"].all():
                return hyper, drawn
        hyper, drawn, self.diagnostics_ = draw_sampled(
            fit, design, sizes, draws=self.draws, warmup=self.warmup, seed=self.seed
        )
        self.method_ = "sampled"
        return hyper, drawn


def _diagnose(fit: LaplaceFit, drawn: Draws) -> pd.DataFrame:
    return table_of_checks(
        at_most(
            LARGEST_DECREMENT,
            "Newton decrement",
            fit.decrement,
            "the coefficients settled at a mode",
        ),
        at_most(
            MOST_CUT,
            "share of weight cut off",
            drawn.cut,
            "the draws do not hang on a few points",
        ),
        at_most(
            MOST_DENIED,
            "share of draws denied",
            drawn.denied,
            "the draws lie where the counts allow them",
        ),
    )
