r"""Open flowers by plant, site and day, from surveys on some days of some years.

For plant p at site s in season t on day d

.. math::

    \log \lambda = A_p + f_p(\tau) + u_{ps} + w_t + w_{pt} + c_{st}
        + (\beta + \beta_p)^T x_{std} + g_{pst}(d)

    \tau = d - \mu_p - e_s - e_t - e_{st} - e_{ps} - e_{pt} - (\gamma + \gamma_p) z_{pst}

    f_p(\tau) = -\tfrac12 (\tau / h_p^\mp)^2 + \sum_k v_{pk} b_k(\tau), \qquad
    y \sim \mathrm{NB}(a\lambda, r)

:math:`f_p` is the shape of a plant's season: rise and fall of their own width
:math:`h_p^\mp`, mended by bumps :math:`b_k`. Warmth :math:`z` shifts it; rain, the monsoon
and the winter before (:math:`x`) scale it. :math:`g` is a smooth departure of one plant at one
site in one season with correlation :math:`\tfrac12 + \tfrac12 (1 + \sqrt3 \Delta/\ell)
e^{-\sqrt3 \Delta/\ell}`: what drivers and effects do not tell, so that surveyed weeks follow
their surveys and unsurveyed ones stay wide.
"""

from __future__ import annotations

import numpy as np

from phenology.models.bloom_curve import (
    departure_correlation,
    season_bumps,
    season_shape,
)
from phenology.models.bloom_laplace import Floats, Mode, draw_parameters, find_mode
from phenology.models.bloom_rows import (
    DAYS,
    DEPARTURE_SD,
    LEVELS,
    BloomSurveys,
    GroupedRows,
    Layout,
)
from phenology.models.refusal import Refused

_KNOT_DAYS = 4.0  # departures are drawn this far apart and run straight between


class BloomModel:
    """Estimate open flowers for every plant, site, season and day.

    Parameters
    ----------
    draws : int
        Posterior draws; 0 for the mode alone.
    seed : int
        Seeds them.

    Attributes
    ----------
    mode_ : Mode
        Fitted parameters, spreads of the effects, dispersion.
    draws_ : ndarray, shape (p, draws)
        Draws of the parameters.
    departures_ : ndarray, shape (groups, rows, draws)
        Draws of the whitened departures of surveyed seasons.
    settled_ : bool
        Whether the fit came to rest; do not believe it otherwise.

    Notes
    -----
    Assumes that one plant has one season of bloom a year, that plants share what a season and
    a site-season do, and that drivers act in proportion. Priors: a shift of a few days for a
    standard deviation of warmth and a change by half for one of a driver, rarely more; spreads
    of effects about the scales of the module, with the weight of five levels.

    Scales of the effects were set on simulated studies from outside the model (seeds 70 to 75);
    on others its 90 % intervals held 85 to 95 % of true flowers, on flowering and on all days, in
    surveyed and in unsurveyed seasons. The ends of bloom are told worst: there few flowers
    stand, and real seasons begin and end faster than the curve.

    Do not believe it for a plant that blooms twice a year, nor a driver's coefficient from
    fewer than about eight seasons: then it is mostly the prior's.

    Examples
    --------
    >>> surveys = BloomSurveys(
    ...     plant=np.zeros(6, int), site=np.zeros(6, int), season=np.zeros(6, int),
    ...     day=np.array([150.0, 165, 180, 195, 210, 225]),
    ...     flowers=np.array([2.0, 30, 110, 90, 20, 1]), area_m2=np.full(6, 100.0),
    ...     scaling=np.zeros((6, 0)), warmth=np.zeros(6), plants=1, sites=1, seasons=1)
    >>> model = BloomModel(draws=200, seed=1).fit(surveys)
    >>> density = model.density(0, 0, np.array([185.0]), np.zeros((1, 0)), np.zeros(1))
    >>> bool(0.7 < np.median(density) < 1.6)
    True
    """

    def __init__(self, draws: int = 200, seed: int = 1) -> None:
        self.draws = draws
        self.seed = seed

    mode_: Mode
    draws_: Floats

    def fit(self, surveys: BloomSurveys, like: BloomModel | None = None) -> BloomModel:
        """Fit to surveys; with `like`, keep that model's spreads and start from its curve.

        Raises
        ------
        Refused
            Without any flower counted.
        """
        if not surveys.flowers.sum() > 0:
            raise Refused("no open flower was counted: there is no season to shape")
        self.surveys_, self.layout_ = surveys, Layout(surveys)
        self.rows_ = GroupedRows(surveys, self.layout_)
        problem = self.rows_.problem
        start, held = (None, None) if like is None else (like.mode_.theta, like.mode_)
        self.mode_ = find_mode(problem, start, held, self.seed)
        self.settled_ = self.mode_.settled
        self.draws_, self.departures_ = draw_parameters(self.mode_, problem, self.draws, self.seed)
        return self

    def density(
        self, site: int, season: int, day: Floats, scaling: Floats, warmth: Floats
    ) -> Floats:
        """Draws of open flowers by area at one site in one season.

        Parameters
        ----------
        site, season : int
            Codes.
        day : ndarray, shape (d,)
            Days of the season [days].
        scaling : ndarray, shape (d, k) or (draws, d, k)
            Drivers that scale; draws where they are not known.
        warmth : ndarray, shape (plants,) or (draws, plants)
            Warmth before each plant's season.

        Returns
        -------
        ndarray, shape (draws, plants, d)
            [1/m2]
        """
        log_density = self._log_density(self.draws_, site, season, day, scaling, warmth)
        return np.exp(log_density + self._departures(site, season, day))

    def middle_density(
        self, site: int, season: int, day: Floats, scaling: Floats, warmth: Floats
    ) -> Floats:
        """Open flowers by area at the mode, departures aside, shape (plants, d) [1/m2]."""
        mode = self.mode_.theta[:, None]
        log_density = self._log_density(mode, site, season, day, scaling, warmth)
        return np.asarray(np.exp(log_density[0]))

    def normal_density(self, site: int, day: Floats) -> Floats:
        """Draws of the site's normal: every driver at its mean, no effect of any season.

        Returns
        -------
        ndarray, shape (draws, plants, d)
            [1/m2]
        """
        surveys = self.surveys_
        no_drivers = np.zeros((len(day), surveys.scaling.shape[1]))
        no_warmth = np.zeros(surveys.plants)
        return np.exp(self._log_density(self.draws_, site, None, day, no_drivers, no_warmth))

    def driver_effects(self) -> Floats:
        """Draws of the change of log flowers by a unit of each driver, (draws, plants, k)."""
        return _driver_effects(self.layout_, self.draws_)

    def warmth_shifts(self) -> Floats:
        """Draws of the days by which a unit of warmth delays each plant, (draws, plants)."""
        return _warmth_shifts(self.layout_, self.draws_)

    def _log_density(
        self,
        theta: Floats,
        site: int,
        season: int | None,
        day: Floats,
        scaling: Floats,
        warmth: Floats,
    ) -> Floats:
        """Log density (draws, plants, d) for draws (p, draws) of the parameters."""
        layout = self.layout_
        later = layout.sum_at(theta, DAYS, site, season).T + _warmth_shifts(layout, theta) * warmth
        tau = day - later[:, :, None]
        rise, fall = (layout.block(theta, name).T[:, :, None] for name in ("log_rise", "log_fall"))
        level = layout.sum_at(theta, LEVELS, site, season).T[:, :, None]
        log_density = level + season_shape(tau, rise, fall)[0]
        heights = layout.block(theta, "bump").transpose(1, 2, 0)
        for bump, own in zip(season_bumps(tau), heights, strict=True):
            log_density += bump * own[..., None]
        known = np.broadcast_to(scaling, (theta.shape[1], *np.shape(scaling)[-2:]))
        log_density += np.matmul(_driver_effects(layout, theta), known.transpose(0, 2, 1))
        return np.asarray(log_density)

    def _departures(self, site: int, season: int, day: Floats) -> Floats:
        """A season's own departures: through the surveyed days, free between and beyond them."""
        s = self.surveys_
        rng = np.random.default_rng([self.seed, site, season])
        knots = np.linspace(day.min(), day.max(), 2 + int(np.ptp(day) / _KNOT_DAYS))
        between = np.array([np.interp(day, knots, unit) for unit in np.eye(len(knots))])
        among = departure_correlation(knots, knots)
        out = np.empty((self.draws, s.plants, len(day)))
        for plant in range(s.plants):
            group = self.rows_.number.get((plant * s.sites + site) * s.seasons + season)
            left, mean = among, np.zeros((self.draws, len(knots)))
            if group is not None:
                rows = self.rows_.rows[group]
                root = self.rows_.root[group, : len(rows), : len(rows)]
                across = np.linalg.solve(root, departure_correlation(s.day[rows], knots))
                mean = self.departures_[group, : len(rows)].T @ across
                left = among - across.T @ across
            value, vector = np.linalg.eigh(left)
            half = vector * np.sqrt(np.clip(value, 0.0, None))
            drawn = mean + DEPARTURE_SD * rng.standard_normal((self.draws, len(knots))) @ half.T
            out[:, plant] = drawn @ between
        return out


def _driver_effects(layout: Layout, theta: Floats) -> Floats:
    effects = layout.block(theta, "driver") + layout.block(theta, "plant_driver")
    return effects.transpose(2, 0, 1)


def _warmth_shifts(layout: Layout, theta: Floats) -> Floats:
    return (layout.block(theta, "warmth_days") + layout.block(theta, "plant_warmth_days")).T
