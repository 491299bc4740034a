"""Role of a captured bird: local or passage, as a probability and as draws.

A semi-supervised mixture of two classes (`phenology.models.role_likelihood` states it): the
species' prior, the share of locals at a place, and binned traits, each with its own distribution
in each class. Birds known to be of a class count with the chance of being known, not as truth.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Self

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import minimize
from sklearn.base import BaseEstimator, ClassifierMixin, clone
from sklearn.utils.validation import check_is_fitted, validate_data

from phenology.models.laplace import fit_laplace
from phenology.models.refusal import Refused
from phenology.models.role_rows import (
    effort_by_place,
    label_codes,
    learn_labels,
    log_odds,
    names_of,
    padded,
    positions,
)
from phenology.models.role_traits import (
    Placed,
    TraitBins,
    categories_to_codes,
    traits_before,
)

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]

SPECIES_PRIOR = {"local": 0.95, "mixed": 0.5, "passage": 0.05}  # strong, never certain


class RoleModel(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """Probability that a captured bird is local.

    Parameters
    ----------
    bins : int
        Bins of a numeric trait, at its quantiles.
    categorical : tuple of str or int
        Traits whose values have no order; columns of strings always are.
    by_group : tuple of str or int
        Traits whose distribution differs by group (age and sex), such as the day.
    dates : tuple of str or int
        Traits that are days: a priori class 0 is there evenly over the season, as birds that
        breed are, and class 1 comes as a pulse, as passage does.
    signs : dict
        Trait to +1 or −1: whether larger values speak for class 0 (local) a priori. Without any
        known bird or single-role species this is what tells the classes apart.
    label_error : float
        Share of known birds that are known wrongly.
    draws : int
    seed : int

    Attributes
    ----------
    classes_ : ndarray, (2,)
        "local", "passage" where y has these.
    fit_ : LaplaceFit
    n_features_in_ : int

    Notes
    -----
    Assumes that traits are independent within a class and group; strong dependence makes the
    probabilities too sure. Not to be believed for a species on both sides of the mixture whose
    traits and days do not differ at all: the answer is then the prior, as it should be.

    Never use draws made with a trait to report that trait by role: `draw_roles` refits without it.

    References
    ----------
    McLachlan, G. & Peel, D. (2000), Finite Mixture Models, doi:10.1002/0471721182.

    Examples
    --------
    >>> from phenology.models.role_simulated import simulate_roles
    >>> birds, truth = simulate_roles(np.random.default_rng(1), birds=300)
    >>> model = RoleModel(by_group=("day",), signs={"fuel_load": -1, "breeding": 1})
    >>> model = model.fit(birds.traits, birds.known, group=birds.group)
    >>> p_local = model.predict_proba(birds.traits, group=birds.group)[:, 0]
    >>> bool(((p_local > 0.5) == truth).mean() > 0.75)
    True
    """

    def __init__(
        self,
        *,
        bins: int = 8,
        categorical: tuple[str | int, ...] = (),
        by_group: tuple[str | int, ...] = (),
        dates: tuple[str | int, ...] = (),
        signs: dict[str | int, int] | None = None,
        label_error: float = 0.02,
        draws: int = 200,
        seed: int = 1,
    ) -> None:
        self.bins = bins
        self.categorical = categorical
        self.by_group = by_group
        self.dates = dates
        self.signs = signs
        self.label_error = label_error
        self.draws = draws
        self.seed = seed

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.input_tags.allow_nan = True
        tags.classifier_tags.multi_class = False
        return tags

    def fit(
        self,
        X: Any,
        y: Any = None,
        prior_local: npt.ArrayLike | None = None,
        group: npt.ArrayLike | None = None,
        place: npt.ArrayLike | None = None,
        effort: pd.DataFrame | None = None,
    ) -> Self:
        """Learn the classes.

        Parameters
        ----------
        X : DataFrame or array, (n, d)
            Traits; missing where not taken.
        y : array-like, (n,), optional
            "local", "passage" or "unknown"; all unknown by default. Any two labels will do.
        prior_local : array-like, (n,), optional
            Probability of class 0 before anything is seen of the bird (`SPECIES_PRIOR`, or a
            season curve); a half by default.
        group, place : array-like, (n,), optional
            Group of each bird; what the share of locals varies by (default: the group).
        effort : DataFrame, optional
            place, day, hours: when each place was sampled. Without it every place is taken as
            sampled evenly over the days on which birds were caught.

        Returns
        -------
        RoleModel

        Raises
        ------
        Refused
            If nothing in the data tells the two classes apart.
        ValueError
            For labels that are not of two classes.
        """
        from phenology.models import role_likelihood as likelihood

        values = self._learn_bins(X)
        codes = self._bins.codes(values)
        self.classes_, labels = learn_labels(y, len(codes))
        if not (labels.any() or self.signs or _informative(prior_local)):
            raise Refused(
                "nothing tells local from passage birds here: known birds, roles of the species or "
                "traits of known sign are needed"
                + (": it requires y to be passed, but the target y is None" if y is None else "")
            )
        groups = names_of(group, len(codes))
        places = groups if place is None else names_of(place, len(codes))
        self._groups, self._places = tuple(np.unique(groups)), tuple(np.unique(places))
        birds = self._birds(codes, labels, prior_local, groups, places)
        placed = Placed(
            positions(groups, self._groups), len(self._groups),
            positions(places, self._places), self._places, effort_by_place(effort),
        )  # fmt: skip
        traits = traits_before(values, self._bins, placed, self.label_error)
        self._sizes = (len(self._places), codes.shape[1], self._bins.width, self._bins.told,
                       len(self._groups))  # fmt: skip
        self._traits_known = traits
        self._optimise(birds, traits, likelihood)
        return self

    def predict_proba(
        self,
        X: Any,
        prior_local: npt.ArrayLike | None = None,
        group: npt.ArrayLike | None = None,
        place: npt.ArrayLike | None = None,
    ) -> Array:
        """Probability of each class, shape (n, 2), by every trait and no label."""
        check_is_fitted(self, "fit_")
        birds = self._new_birds(X, prior_local, group, place)
        return self._probability(self.fit_.theta, birds)

    def predict(
        self,
        X: Any,
        prior_local: npt.ArrayLike | None = None,
        group: npt.ArrayLike | None = None,
        place: npt.ArrayLike | None = None,
    ) -> npt.NDArray[Any]:
        """The likelier class of each bird; for outcomes use draws, never this split."""
        probability = self.predict_proba(X, prior_local, group, place)
        return np.asarray(self.classes_[probability.argmax(axis=1)])

    def draw_roles(
        self,
        X: Any,
        y: Any = None,
        *,
        prior_local: npt.ArrayLike | None = None,
        group: npt.ArrayLike | None = None,
        place: npt.ArrayLike | None = None,
        effort: pd.DataFrame | None = None,
        without: Iterable[str] = (),
    ) -> tuple[npt.NDArray[np.bool_], Array]:
        """Draws of the role of the birds themselves, for use with an outcome.

        Parameters
        ----------
        X, y, prior_local, group, place, effort
            As in `fit`; a fresh copy of the model is fitted to them.
        without : iterable of str
            Traits that are, or reveal, the outcome: they leave both the fit and the evidence.

        Returns
        -------
        local : ndarray of bool, (draws, n)
        p_local : ndarray, (draws, n)
            Probability of each draw of the parameters, what is known of a bird included.
        """
        dropped = set(without)
        # missing rather than gone, so that the compiled likelihood serves again
        kept = X.assign(**{name: np.nan for name in dropped if name in X}) if dropped else X
        model = clone(self)
        model.signs = {k: v for k, v in (self.signs or {}).items() if k not in dropped}
        model.fit(kept, y, prior_local, group, place, effort)
        codes = model._encode(kept)
        labels = np.zeros(len(codes), dtype=int) if y is None else label_codes(y, model.classes_)
        groups = names_of(group, len(codes))
        birds = model._birds(
            codes,
            labels,
            prior_local,
            groups,
            groups if place is None else names_of(place, len(codes)),
        )
        rng = np.random.default_rng(self.seed)
        theta, _ = model.fit_.draws(self.draws, rng)
        probability = np.stack([model._probability(each, birds)[:, 0] for each in theta])
        local = rng.random(probability.shape) < probability
        return local, probability

    # ---- what X and y mean

    def _learn_bins(self, X: Any) -> Array:
        self._categories: dict[int, list[Any]] = {}
        if isinstance(X, pd.DataFrame):
            X, self._categories = categories_to_codes(X, {})
        values = validate_data(self, X, dtype=float, ensure_all_finite="allow-nan",
                               ensure_min_samples=2)  # fmt: skip
        names = list(X.columns) if isinstance(X, pd.DataFrame) else list(range(values.shape[1]))
        words = {names.index(name) for name in self.categorical if name in names}
        self._bins = TraitBins.learn(
            values, names, words | set(self._categories),
            bins=self.bins, by_group=self.by_group, dates=self.dates, signs=self.signs or {},
        )  # fmt: skip
        return np.asarray(values)

    def _encode(self, X: Any) -> Codes:
        if isinstance(X, pd.DataFrame):
            X, _ = categories_to_codes(X, self._categories)
        values = validate_data(self, X, dtype=float, ensure_all_finite="allow-nan", reset=False)
        return self._bins.codes(values)

    # ---- the fit

    def _birds(
        self, codes: Codes, labels: Codes, prior: npt.ArrayLike | None,
        groups: npt.NDArray[Any], places: npt.NDArray[Any],
    ) -> Any:  # fmt: skip
        from phenology.models.role_likelihood import Birds

        rows = (
            codes, labels, positions(groups, self._groups), positions(places, self._places),
            log_odds(prior, len(codes)), np.ones(len(codes)),
        )  # fmt: skip
        return Birds(*(padded(values) for values in rows))

    def _new_birds(self, X: Any, prior: Any, group: Any, place: Any) -> Any:
        codes = self._encode(X)
        groups = names_of(group, len(codes))
        places = groups if place is None else names_of(place, len(codes))
        return self._birds(codes, np.full(len(codes), -1), prior, groups, places)

    def _optimise(self, birds: Any, traits: Any, likelihood: Any) -> None:
        import jax

        places, groups = self._sizes[0], self._sizes[4]
        start = np.concatenate(
            [np.zeros(places + groups), np.full(2, -1.0), np.zeros(2 * groups),
             3 * np.ravel(traits.direction), np.ravel(traits.direction_group)]
        )  # fmt: skip
        with jax.enable_x64(True):
            placed = jax.device_put((birds, traits))

        def objective(theta: Array) -> tuple[float, Array]:
            with jax.enable_x64(True):
                value, gradient = likelihood.value_and_gradient(theta, *placed, self._sizes)
            return float(value), np.array(gradient)

        def derivatives(theta: Array, phi: Array) -> tuple[float, Array, Array]:
            with jax.enable_x64(True):
                found = likelihood.derivatives(theta, phi, *placed, self._sizes)
            return float(found[0]), np.array(found[1]), np.array(found[2])

        near = minimize(objective, start, jac=True, method="L-BFGS-B", options={"maxiter": 500})
        self.n_iter_ = int(near.nit)
        try:
            self.fit_ = fit_laplace(derivatives, near.x)
        except Refused as reason:
            raise Refused(
                "local and passage birds cannot be told apart here: known birds, the roles of the "
                f"species, or traits of known sign are needed ({reason})"
            ) from None

    def _probability(self, theta: Array, birds: Any) -> Array:
        import jax

        from phenology.models import role_likelihood as likelihood

        with jax.enable_x64(True):
            log_density = np.array(
                likelihood.log_density(theta, birds, self._traits_known, self._sizes)
            )[birds.weight > 0]
        odds = log_density - log_density.max(axis=1, keepdims=True)
        share = np.exp(odds)
        return np.asarray(share / share.sum(axis=1, keepdims=True))


def _informative(prior: npt.ArrayLike | None) -> bool:
    return prior is not None and bool(np.any(np.asarray(prior, dtype=float) != 0.5))
