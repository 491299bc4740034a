"""Support: how bloom, the monsoon, feeders and habitat change an outcome, by role."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr
from scipy.special import expit

from phenology.models.checks import at_least, table_of_checks
from phenology.models.mixed_arrowhead import Array
from phenology.models.mixed_effects_rows import full_columns
from phenology.models.refusal import Refused
from phenology.models.support_contrasts import CONTRASTS
from phenology.models.support_fit import RoleFit, fit_roles, require_birds
from phenology.quantities import BETWEEN, HIGH_QUANTILE, LOW_QUANTILE, ROLES, WITHIN

LEAST_EFFICIENCY = 0.01  # of 300 proposals: three that count for each draw
OUTSIDE = 0.1  # share of birds beyond what their site has seen, above which we extrapolate


class SupportModel:
    r"""Effects of drivers on one outcome, for local and passage birds apart.

    .. math:: y_i = a + \sum_d \left[ w_d (x_{di} - \bar x_{d,site}) + b_d \bar x_{d,site}
              \right] + adjustments + u_{site} + u_{season} + u_{site,season} + u_{group}
              + v_{site,day} + e_i

    The effect within sites, w, compares a site with itself; that between sites, b, is kept apart
    because sites differ in more than their drivers. Adjusted for day (cubic) and bait. Shares
    take the same predictor on the logit scale, without v.

    Parameters
    ----------
    kind : {"mean", "share"}
        A measurement with a mean, or a yes or no a bird (1 or 0).
    roles : tuple of {"local", "passage"}
        For whom the outcome means something.
    draws : int
        Posterior draws, where the outcome does not come as draws; else theirs.
    seed : int

    Attributes
    ----------
    roles_ : dict of RoleFit
        Roles that could be fitted.
    effects_ : Dataset
        `effect` (draw, role, driver, definition) for the stated change of the driver; missing
        where refused. Shares: the mean change of the share over the role's birds.
    summary_ : DataFrame
        role, driver, definition, unit, estimate, low, high (90 %), share_prior, birds, refused
        and note, in words.
    diagnostics_ : DataFrame
        statistic, value, threshold, passed, meaning.

    Notes
    -----
    Draw d uses the d-th draw of the outcome. Bloom and other drivers enter as their posterior
    means, and roles as their chances (see `fit_roles`), not as draws: truth scatters about its
    estimate independently of it, so that slopes on the mean are unbiased and the scatter goes to
    the random effects, whereas regression on draws made without the outcome shrinks them.

    Priors: within-site effects N(0, 2 sd of the outcome) for one driver in every eight sampled
    seasons, in the order of `CONTRASTS`, N(0, 0.5 sd) for the rest, which are named; between
    sites N(0, 1 sd) for one in every four sites, for the rest N(0, 0.5 sd) for the stated change
    or for a standard deviation between sites, if that is more; standard deviations half-normal
    on the sd of the outcome.

    Not to be believed where a driver was set by something unmeasured that changes within a site
    (feeders hung when birds looked thin); where chances of roles are not calibrated; for a
    season's driver with a handful of seasons.

    References
    ----------
    Mundlak, Y. (1978), Econometrica 46:69, doi:10.2307/1913646; van de Pol, M. & Wright, J.
    (2009), Anim. Behav. 77:753, doi:10.1016/j.anbehav.2008.11.006; Rubin, D. B. (1987), Multiple
    imputation, doi:10.1002/9780470316696; Carroll, R. J. et al. (2006), Measurement error in
    nonlinear models, doi:10.1201/9781420010138, on regression calibration.

    Examples
    --------
    >>> from phenology.models.support_simulated import simulate_support
    >>> simulated = simulate_support(np.random.default_rng(1), sites=4, seasons=6)
    >>> model = SupportModel(draws=100).fit(
    ...     simulated.birds, simulated.outcome, simulated.local)
    >>> told = model.summary_.set_index(["role", "driver", "definition"])
    >>> bool(told.loc[("local", "bloom", "within-site"), "low"] < 0)
    True
    """

    def __init__(
        self,
        kind: Literal["mean", "share"] = "mean",
        roles: tuple[str, ...] = ROLES,
        draws: int = 400,
        seed: int = 1,
    ) -> None:
        self.kind = kind
        self.roles = roles
        self.draws = draws
        self.seed = seed

    def fit(
        self, birds: pd.DataFrame, outcome: npt.ArrayLike, local: npt.ArrayLike
    ) -> SupportModel:
        """Fit to birds in the hand.

        Parameters
        ----------
        birds : DataFrame
            `site`, `season`, `day` [days]; where known `group`, `baited` and drivers: `bloom`
            (bloom index, 0 = this site's normal for the day), `feeders` (1 up, 0 none),
            `monsoon_onset` [day of year], `monsoon_strength` [standard deviations of rain],
            `events` (1 after, 0 before); of feeders while they hang `neighbour_feeders` (1 a
            neighbour's, 0 our own), `feeder_ports` and `feeder_distance` [doublings]; of sites
            `habitat` and `burned` [share of area], `water_distance` [doublings].
        outcome : array-like, (n,) or (draw, n)
            NaN where a bird was not measured.
        local : array-like, (n,) or (draw, n)
            Probability of each bird to be local, or draws of whether it is, made without the
            outcome.

        Raises
        ------
        Refused
            If neither role has birds enough.
        ValueError
            For arrays that do not fit each other.
        """
        rng = np.random.default_rng(self.seed)
        values, p_local = _aligned(outcome, local, len(birds), self.draws)
        measured = np.isfinite(values).all(axis=0)
        chances = {
            role: np.where(measured, p_local if role == "local" else 1.0 - p_local, 0.0)
            for role in ROLES
        }
        self.refused_: dict[str, str] = {}
        self.roles_: dict[str, RoleFit] = {}
        for together in self._together(values, chances):
            self.roles_ |= self._fit_together(birds, values, together, rng)
        self.roles_ = {role: self.roles_[role] for role in self.roles if role in self.roles_}
        if not self.roles_:
            raise Refused("; ".join(f"{role}: {told}" for role, told in self.refused_.items()))
        self.effects_ = self._effects()
        self.summary_ = self._summary()
        self.diagnostics_ = self._diagnose()
        return self

    def scenario(
        self,
        changes: Mapping[str, npt.ArrayLike],
        among: npt.ArrayLike | None = None,
        roles: tuple[str, ...] | None = None,
    ) -> xr.Dataset:
        """The same birds on the same days, but with other drivers.

        Parameters
        ----------
        changes : mapping of str to array-like, (n,) or scalar
            New values of drivers for the birds of `fit`. feeders_x_bloom follows.
        among : array-like of bool, (n,), optional
            Birds to look at; all by default.
        roles : tuple of str, optional
            Of `roles_`; all by default.

        Returns
        -------
        Dataset
            `actual`, `changed` and `difference`, (draw, role): mean of the outcome over the
            birds; `extrapolated` (role,) with `reason` (role,), empty where it is not; `birds`.

        Raises
        ------
        ValueError
            For a driver that was not fitted.
        """
        asked = tuple(self.roles_) if roles is None else roles
        parts = [self._scenario_of(role, changes, among) for role in asked]
        if len(parts) == 1:
            return parts[0].expand_dims(role=list(asked))
        return xr.concat(parts, pd.Index(list(asked), name="role"))

    def _together(self, values: Array, chances: dict[str, Array]) -> list[dict[str, Array]]:
        """Which roles are fitted at once: both where some birds may be of either."""
        thin = {}
        for role, chance in chances.items():
            try:
                require_birds(values[:, chance > 0], chance[chance > 0], self.kind)
            except Refused as reason:
                thin[role] = str(reason)
        self.refused_ = {role: told for role, told in thin.items() if role in self.roles}
        kept = {role: chance for role, chance in chances.items() if role not in thin}
        unsure = any(((chance > 0) & (chance < 1)).any() for chance in kept.values())
        if unsure and len(kept) == len(chances):
            return [kept]
        # with too few birds of the other role to fit, the likelier role is taken
        return [
            {role: np.asarray(chance >= 0.5, dtype=float)}
            for role, chance in kept.items()
            if role in self.roles
        ]

    def _fit_together(
        self,
        birds: pd.DataFrame,
        values: Array,
        chances: dict[str, Array],
        rng: np.random.Generator,
    ) -> dict[str, RoleFit]:
        rows = np.flatnonzero(sum(chances.values()) > 0)
        own = {role: chance[rows] for role, chance in chances.items()}
        try:
            fits = fit_roles(birds.iloc[rows], values[:, rows], own, self.kind, rng)
        except Refused as reason:
            self.refused_ |= {role: str(reason) for role in chances if role in self.roles}
            return {}
        return {role: replace(fit, rows=rows[fit.rows]) for role, fit in fits.items()}

    def _effects(self) -> xr.Dataset:
        known = {name for fit in self.roles_.values() for name in fit.design.values}
        drivers = [name for name in CONTRASTS if name in known]
        draws = len(next(iter(self.roles_.values())).coefficients)
        effect = np.full((draws, len(self.roles_), len(drivers), 2), np.nan)
        for place, fit in enumerate(self.roles_.values()):
            for number, driver in enumerate(drivers):
                for side, definition in enumerate((WITHIN, BETWEEN)):
                    column = fit.design.within if side == 0 else fit.design.between
                    if driver in column and (driver, definition) not in fit.design.refused:
                        effect[:, place, number, side] = self._effect(fit, driver, column[driver])
        return xr.Dataset(
            {"effect": (("draw", "role", "driver", "definition"), effect)},
            coords={
                "role": list(self.roles_),
                "driver": drivers,
                "definition": [WITHIN, BETWEEN],
                "unit": ("driver", [CONTRASTS[name].unit for name in drivers]),
            },
        )

    def _effect(self, fit: RoleFit, driver: str, column: int) -> Array:
        contrast = CONTRASTS[driver]
        step = fit.coefficients[:, column] * contrast.change
        if self.kind == "mean":
            return step
        full = full_columns(fit.design.columns, fit.design.effects)
        logit = fit.coefficients @ full.T
        before = logit
        if contrast.switches:
            before = logit - fit.coefficients[:, [column]] * fit.design.values[driver]
        return _mean_over(expit(before + step[:, None]) - expit(before), fit.chance)

    def _summary(self) -> pd.DataFrame:
        records = []
        for role, fit in self.roles_.items():
            told = dict.fromkeys(
                (driver, definition)
                for driver in self.effects_["driver"].values.tolist()
                for definition in (WITHIN, BETWEEN)
            )
            told |= dict.fromkeys(fit.design.refused)
            for driver, definition in told:
                key = {"role": role, "driver": driver, "definition": definition}
                record = key | {
                    "unit": CONTRASTS[driver].unit,
                    "estimate": np.nan, "low": np.nan, "high": np.nan, "share_prior": np.nan,
                    "birds": fit.birds,
                    "refused": fit.design.refused.get((driver, definition), ""),
                    "note": fit.design.notes.get((driver, definition), ""),
                }  # fmt: skip
                if not record["refused"]:
                    draws = self.effects_["effect"].sel(key).values
                    low, middle, high = np.quantile(draws, [LOW_QUANTILE, 0.5, HIGH_QUANTILE])
                    record |= {"estimate": middle, "low": low, "high": high}
                    record["share_prior"] = _share_prior(fit, driver, definition)
                records.append(record)
        return pd.DataFrame(records)

    def _diagnose(self) -> pd.DataFrame:
        return table_of_checks(
            *(
                at_least(
                    LEAST_EFFICIENCY,
                    f"efficiency of the weights, {role}",
                    fit.efficiency,
                    "proposals met the posterior",
                )
                for role, fit in self.roles_.items()
            )
        )

    def _scenario_of(
        self, role: str, changes: Mapping[str, npt.ArrayLike], among: npt.ArrayLike | None
    ) -> xr.Dataset:
        fit = self.roles_[role]
        absent = set(changes) - set(fit.design.within) | (set(changes) & {"feeders_x_bloom"})
        if absent:
            raise ValueError(f"no such drivers in the fit: {sorted(absent)}")
        new = {name: _of_rows(value, fit.rows) for name, value in changes.items()}
        chosen = (
            np.ones(len(fit.rows), dtype=bool)
            if among is None
            else np.asarray(among, dtype=bool)[fit.rows]
        )
        chance = fit.chance[chosen]
        actual = full_columns(fit.design.columns, fit.design.effects)[chosen]
        changed = actual.copy()
        changed[:, : fit.design.columns.shape[1]] = fit.design.changed(new)[chosen]
        was = self._mean(fit.coefficients, actual, chance)
        then = self._mean(fit.coefficients, changed, chance) if new else was
        reason = _extrapolation(fit, new, chosen)
        return xr.Dataset(
            {
                "actual": ("draw", was),
                "changed": ("draw", then),
                "difference": ("draw", then - was),
                "extrapolated": bool(reason),
                "reason": reason,
                "birds": round(float(chance.sum())),
            }
        )

    def _mean(self, coefficients: Array, rows: Array, chance: Array) -> Array:
        """Mean of the outcome over birds, (draw,), each by its chance of being of the role."""
        if self.kind == "mean":  # the mean of a linear outcome is the outcome of the mean bird
            return np.asarray(coefficients @ _mean_over(rows.T, chance))
        kind = coefficients.dtype  # stored draws carry seven digits: no more are worked with
        return _mean_over(expit(coefficients @ rows.T.astype(kind)), chance.astype(kind))


def _aligned(
    outcome: npt.ArrayLike, local: npt.ArrayLike, birds: int, draws: int
) -> tuple[Array, Array]:
    """Outcome, (draw, bird), and chance of being local, (bird,)."""
    values, is_local = (np.asarray(array, dtype=float) for array in (outcome, local))
    if any(array.shape[-1] != birds for array in (values, is_local)):
        raise ValueError(
            f"{birds} birds, but outcome {values.shape} and local {is_local.shape}: their last "
            "dimension must be the birds"
        )
    number = len(values) if values.ndim == 2 else draws
    p_local = is_local.mean(axis=0) if is_local.ndim == 2 else is_local
    return np.broadcast_to(values, (number, birds)), p_local


def _share_prior(fit: RoleFit, driver: str, definition: str) -> float:
    place = (fit.design.within if definition == WITHIN else fit.design.between)[driver]
    prior_sd = fit.design.prior_sd[place] * fit.scale
    return float(min(1.0, fit.coefficients[:, place].var() / prior_sd**2))


def _mean_over(values: Array, chance: Array) -> Array:
    """Mean over the birds of a role, (draw,), each by its chance of being of it."""
    return np.asarray(values @ chance / max(float(chance.sum()), 1e-12))


def _of_rows(value: npt.ArrayLike, rows: npt.NDArray[np.intp]) -> Array:
    new = np.asarray(value, dtype=float)
    return np.full(len(rows), float(new)) if new.ndim == 0 else new[rows]


def _extrapolation(fit: RoleFit, new: Mapping[str, Array], chosen: npt.NDArray[np.bool_]) -> str:
    """Why a scenario lies outside the data; empty if it does not."""
    reasons = []
    for name, value in new.items():
        moved = chosen & (np.abs(value - fit.design.values[name]) > 1e-9)
        if not moved.any():
            continue
        refused = fit.design.refused.get((name, WITHIN), "")
        if refused:
            reasons.append(f"{name}: {refused}")
            continue
        least, most = _range_by_site(fit.design.values[name], fit.design.site)
        slack = 0.05 * abs(CONTRASTS[name].change)
        beyond = (value < least - slack) | (value > most + slack)
        share = float(np.average(beyond[chosen], weights=fit.chance[chosen]))
        if share > OUTSIDE:
            reasons.append(f"{name}: never seen so at the site, for {share:.0%} of the birds")
    return "; ".join(reasons)


def _range_by_site(values: Array, site: npt.NDArray[np.intp]) -> tuple[Array, Array]:
    """Least and most seen at each bird's own site."""
    order = np.argsort(site, kind="stable")
    starts = np.flatnonzero(np.diff(site[order], prepend=-1))
    place = np.searchsorted(site[order][starts], site)
    least, most = (reach.reduceat(values[order], starts) for reach in (np.fmin, np.fmax))
    return least[place], most[place]
