"""Lean mass and fuel load of every bird, from mass, wing, fat class, hour and crop."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.models.laplace import LaplaceFit, fit_laplace, jax_derivatives
from phenology.models.lean_mass_rows import (
    FEWEST_BIRDS,
    bird_places,
    complete,
    left_out,
    pad,
    padded_size,
    prepare,
    priors,
)
from phenology.models.lean_mass_split import (
    Places,
    Residuals,
    draw_repeatability,
    draw_residuals,
    part_mass,
    parts_by_bird,
)
from phenology.models.lean_mass_tables import (
    bird_table,
    class_table,
    diagnose,
    group_table,
    learning_shares,
    parameter_draws,
)
from phenology.models.refusal import Refused
from phenology.models.thinning import evenly_chosen
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

Array = npt.NDArray[np.float64]

FEWEST_FOR_CONDITION = 10
# Heaviest over lean mass among migrants is 1.28 to 2.75 over species (Hedenström & Alerstam 1992,
# J. Exp. Biol. 164:19); no bird lives at half its lean mass (common practice).
BELIEVED_OVER_LEAN = (0.5, 2.75)
MOST_OF_A_GROUP = 500  # captures that teach its parameters; its lean mass is then known to .003
_CELLS_AT_ONCE = 4_000_000
_PARTS_REPEATED = 4  # such parts of birds caught again that teach repeatability, to about .02
_FIRST_FITTED = 1000  # birds whose fit is where the fit of many begins


class LeanMassModel:
    """Lean mass and fuel load by one hierarchical model of log mass.

    log m = log lean mass(species, group, wing) + log[1 + fuel(fat class, hour, crop, fed)] + e;
    `phenology.models.lean_mass_likelihood` states it in full. Groups are pooled towards their
    species, exponents and fuel of a class towards those of all species. Fuel is 0 by definition
    at the lowest fat class, empty crop and sunrise; a meal in the crop is weighed but is no fuel,
    so a bird's fuel load is told without it. What scatter grows with the fuel of a class is fuel;
    the scatter of all classes alike is lean mass as far as it stays with birds that are caught
    again (`phenology.models.lean_mass_split`), and fuel that the class does not tell otherwise.

    Parameters
    ----------
    by : tuple of str
        Columns that, with species, make a group.
    wing_error : float, optional
        Standard deviation of a wing measurement as a share of wing; learned from birds measured
        twice where `band` is given, else `measurement.ASSUMED_WING_ERROR`.
    rounding_g : float, optional
        Step to which masses were rounded [g]; learned from the digits by default.
    draws : int
        Posterior draws.
    seed : int

    Attributes
    ----------
    birds_ : DataFrame
        Indexed as the input: group, lean_mass_g, fuel_load, each with `_low` and `_high` (90 %),
        and `left_out`, the reason in words where they are missing.
    groups_ : DataFrame
        One row a group: birds; lean_mass_g at the group's mean size and fuel_load, the mean of
        its birds, each with `_low`, `_high`; share_own, share_borrowed, share_prior: what its own
        birds, other birds and the prior taught of its lean mass.
    fuel_classes_ : DataFrame
        Fuel load of each fat class at sunrise and empty crop, by species.
    draws_ : Dataset
        Parameters, dims (draw, group), (draw, species), (draw, species, fat_class), (draw,).
    bird_draws_ : Dataset
        `lean_mass_g`, `fuel_load` and `residual`, dims (draw, bird).
    diagnostics_ : DataFrame
        statistic, value, threshold, passed, meaning.

    Notes
    -----
    Of a group of more than 500 captures, 500 evenly chosen ones teach the parameters; all are
    parted by them.

    Not to be believed where the lowest fat classes were never caught: lean mass is then
    extrapolated down the fat scale (a row of `diagnostics_` says so). Where no bird was weighed
    twice, how much of a bird's distance from its class is lean mass is assumed, within a wide
    band. A bird at fat 0 is not free of fat; range laws take a reserve off first. A mass far off
    its class is kept, and shared between lean mass and fuel in proportion to their scatter.

    References
    ----------
    Labocha, M. K. & Hayes, J. P. (2012), J. Ornithol. 153:1, doi:10.1007/s10336-011-0706-1, on
    condition from mass and size.

    Examples
    --------
    >>> from phenology.models.lean_mass_simulated import simulate_lean_mass
    >>> birds, truth = simulate_lean_mass(np.random.default_rng(1), birds=80)
    >>> model = LeanMassModel(draws=100).fit(birds)
    >>> bool(model.birds_["fuel_load"].corr(truth.birds["fuel_load"]) > 0.7)
    True
    """

    def __init__(
        self,
        by: tuple[str, ...] = ("age", "sex"),
        wing_error: float | None = None,
        rounding_g: float | None = None,
        draws: int = 400,
        seed: int = 1,
    ) -> None:
        self.by = by
        self.wing_error = wing_error
        self.rounding_g = rounding_g
        self.draws = draws
        self.seed = seed

    def fit(self, birds: pd.DataFrame) -> LeanMassModel:
        """Fit to birds in the hand.

        Parameters
        ----------
        birds : DataFrame
            `species`, `mass_g`, and where known `wing_mm`, the columns of `by`, `fat_class`
            (0 the leanest, −1 or missing: not taken), `hours_since_sunrise`, `crop` (empty, part,
            full), `fed_before_weighing`, `gravid`, `band`. Absent columns are unknown.

        Raises
        ------
        Refused
            With fewer than five birds of any species, or without any fat class.
        """
        table = complete(birds, self.by)
        reason = left_out(table)
        used = table[reason == ""]
        if used.empty:
            most = table.loc[table["mass_g"].notna(), "species"].value_counts().max()
            raise Refused(
                f"lean mass needs {FEWEST_BIRDS} birds of a species with mass; "
                f"there {'is' if most == 1 else 'are'} {0 if np.isnan(most) else int(most)}"
            )
        if (used["fat_class"] < 0).all():
            raise Refused("no fat class was recorded: mass cannot be parted into lean and fuel")
        self._prepared = prepare(used, self.wing_error, self.rounding_g)
        self._layout = self._prepared.layout
        taught_by = used[evenly_chosen(used["group"].to_numpy(), MOST_OF_A_GROUP)]
        self.fit_ = self._fit(taught_by)
        rng = np.random.default_rng(self.seed)
        self._theta, self._phi = self.fit_.draws(self.draws, rng)
        self.draws_ = parameter_draws(self._layout, self._theta, self._phi)
        used, reason = self._believe(used, reason)
        split = self._split(used, rng)
        self.bird_draws_ = split
        self.birds_ = bird_table(table, used, reason, split)
        groups = group_table(used, self.by, self._prepared, self._theta, split)
        shares = learning_shares(
            taught_by, self._prepared, self.fit_, self._information, self._prior_sd
        )
        self.groups_ = groups.join(shares, on="group")
        self.fuel_classes_ = class_table(self.draws_["class_fuel_load"])
        self.diagnostics_ = diagnose(used, self._prepared, self.fit_)
        return self

    def predict(self, birds: pd.DataFrame) -> pd.DataFrame:
        """Lean mass and fuel load of other birds of the same groups, as in `birds_`.

        Raises
        ------
        Refused
            If none of the birds is of a group that was fitted.
        """
        table = complete(birds, self.by)
        reason = left_out(table, fewest=1)
        unknown = ~table["group"].isin(self._layout.groups)
        reason = reason.mask(unknown & (reason == ""), "its group was not among those fitted")
        beyond = table["fat_class"] >= self._layout.classes
        reason = reason.mask(beyond & (reason == ""), "its fat class was not among those fitted")
        used = table[reason == ""]
        if used.empty:
            raise Refused("none of these birds is of a group that was fitted")
        used, reason = self._believe(used, reason)
        rng = np.random.default_rng(self.seed + 1)
        split = self._split(used, rng, self.draws_["repeatability"].to_numpy())
        return bird_table(table, used, reason, split)

    def lean_condition(self, keys: pd.DataFrame) -> pd.DataFrame:
        """Mean log residual of mass after size, fat, hour and crop, by classes of birds.

        Parameters
        ----------
        keys : DataFrame
            Indexed as the birds of `fit`; one row of the result for each combination of its
            columns, for instance group and year; birds that lack one are passed over.

        Returns
        -------
        DataFrame
            The columns of `keys`, birds, estimate, low, high, refused (why, in words, under ten
            birds). A difference of .02 is 2 % of mass.
        """
        return self._means_by(keys, "residual", FEWEST_FOR_CONDITION)

    def fuel_by(self, keys: pd.DataFrame) -> pd.DataFrame:
        """Mean fuel load of the birds caught, by classes of birds; as `lean_condition`."""
        return self._means_by(keys, "fuel_load", 1)

    def _means_by(self, keys: pd.DataFrame, variable: str, fewest: int) -> pd.DataFrame:
        values = self.bird_draws_[variable]
        aligned = keys.loc[values.indexes["bird"]].reset_index(drop=True)
        rng = np.random.default_rng(self.seed + 2)
        rows = []
        for place, birds in aligned.groupby(list(aligned.columns), sort=True):
            members = birds.index.to_numpy()
            row = dict(zip(aligned.columns, place, strict=True)) | {"birds": len(members)}
            if len(members) < fewest:
                lacking = f"{len(members)} birds, {fewest} needed"
                rows.append(row | dict.fromkeys(("estimate", "low", "high"), np.nan)
                            | {"refused": lacking})  # fmt: skip
                continue
            each = values.values[:, members]
            mean = each.mean(axis=1)
            if variable == "residual":  # the class, not only the birds that were caught
                mean = mean + rng.standard_normal(mean.size) * each.std() / np.sqrt(len(members))
            low, middle, high = np.quantile(mean, [LOW_QUANTILE, 0.5, HIGH_QUANTILE])
            rows.append(row | {"estimate": middle, "low": low, "high": high, "refused": ""})
        return pd.DataFrame(rows)

    def _fit(self, used: pd.DataFrame) -> LaplaceFit:
        """Fit to these birds; with many, from where a part of them settles, which saves time."""
        import jax

        from phenology.models import lean_mass_likelihood as likelihood

        theta, scales = priors(self._layout, used)[0], likelihood.scale_prior()[0]
        step = len(used) // _FIRST_FITTED
        if step > 1:
            part = self._data(used.iloc[::step])
            first = fit_laplace(jax_derivatives(likelihood.derivatives, *part), theta, scales)
            theta, scales = first.theta, first.phi
        data = self._data(used)
        fit = fit_laplace(jax_derivatives(likelihood.derivatives, *data), theta, scales)
        _, _, sd, is_group = priors(self._layout, used)
        self._prior_sd = np.where(is_group, np.exp(fit.phi[3]), sd)
        with jax.enable_x64(True):
            self._information = np.array(likelihood.derivatives(fit.theta, fit.phi, *data)[3])
        return fit

    def _data(self, used: pd.DataFrame) -> tuple[Any, ...]:
        from phenology.models.lean_mass_likelihood import scale_prior

        size = padded_size(len(used))
        rows = pad(self._prepared.rows(used), size)
        bird_group = np.zeros(size, dtype=int)
        bird_group[: len(used)] = self._prepared.group_places(used)
        _, mean, sd, is_group = priors(self._layout, used)
        prior = (mean, sd, is_group, *scale_prior())
        return rows, (self._layout.places, bird_group), prior

    def _believe(
        self, used: pd.DataFrame, reason: pd.Series[str]
    ) -> tuple[pd.DataFrame, pd.Series[str]]:
        """Set aside masses that no bird of that lean mass can have: slips, not fuel."""
        local = self.fit_.theta[self._layout.places][self._prepared.group_places(used)]
        wing = self._prepared.rows(used).log_wing
        lean = np.exp(local[:, 0] + local[:, 1] + (local[:, 2] + local[:, 3]) * wing)
        low, high = BELIEVED_OVER_LEAN
        believed = used["mass_g"].between(low * lean, high * lean)
        slips = used.index[~believed]
        reason = reason.mask(reason.index.isin(slips), f"mass not {low:g} to {high:g} times lean")
        return used[believed], reason

    def _split(
        self, used: pd.DataFrame, rng: np.random.Generator, repeatability: Array | None = None
    ) -> xr.Dataset:
        """Each bird's mass parted into lean and fuel, one draw of parameters at a time."""
        rows = self._prepared.rows(used)
        group = self._prepared.group_places(used)
        bird, scatter = bird_places(used), np.exp(2 * self._phi[:, 0])
        cells = self.draws * rows.log_mass.shape[1] * self._layout.classes
        again, once = parts_by_bird(bird, max(1, _CELLS_AT_ONCE // cells))

        def drawn(captures: Places) -> Residuals:
            local = self._theta[:, self._layout.places][:, group[captures]]
            return draw_residuals(rows, captures, local, self._phi, rng)

        kept = range(0, len(again), max(1, len(again) // _PARTS_REPEATED))
        several = {place: drawn(again[place]) for place in kept}
        if repeatability is None:
            births = [bird[again[place]] for place in several]
            repeatability = draw_repeatability(list(several.values()), births, scatter, rng)
            self.draws_ = self.draws_.assign(repeatability=("draw", repeatability))
        names = ("lean_mass_g", "fuel_load", "residual")
        values = {name: np.empty((self.draws, len(used)), np.float32) for name in names}
        for place, captures in enumerate([*again, *once]):
            residuals = several[place] if place in several else drawn(captures)
            parted = part_mass(residuals, bird[captures], repeatability, scatter, rng)
            for name, each in zip(names, (*parted, residuals.residual), strict=True):
                values[name][:, captures] = each
        return xr.Dataset(
            {name: (("draw", "bird"), each) for name, each in values.items()},
            coords={"bird": used.index.to_numpy()},
        )
