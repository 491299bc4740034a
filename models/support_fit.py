"""Fitting the birds of both roles, some of which may be of either."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from phenology.models.mixed_arrowhead import Array, Integers
from phenology.models.mixed_effects import Prior, draw_posterior
from phenology.models.mixed_effects_rows import full_columns, sum_columns
from phenology.models.mixed_share import draw_share_posterior
from phenology.models.refusal import Refused
from phenology.models.support_design import RoleDesign, build_design, site_days

FEWEST_BIRDS = 30  # of a role, with the outcome measured
FEWEST_OF_EITHER = 10  # birds with yes and birds with no
LOGISTIC_SD = float(np.pi / np.sqrt(3))
_INTERCEPT_SD = 3.0  # of a logit, in standard deviations of the logistic
_SHARE_SD_SCALE = 0.5  # of random effects on the logit, in the same unit


@dataclass(frozen=True)
class RoleFit:
    """The birds of one role as fitted.

    Attributes
    ----------
    design : RoleDesign
    rows : ndarray of int
        Places of the birds that may be of the role, in the input.
    chance : ndarray, (rows,)
        Of being of the role.
    coefficients : ndarray, (draw, P)
        Of the design's columns, then of the levels of its random effects.
    scale : float
        Standard deviation of a bird within its site and season, the unit of the priors.
    efficiency : float
        Of the weighted proposals.
    """

    design: RoleDesign
    rows: Integers
    chance: Array
    coefficients: Array
    scale: float
    efficiency: float

    @property
    def birds(self) -> int:
        """Birds of the role, expected."""
        return round(float(self.chance.sum()))


def fit_roles(
    birds: pd.DataFrame,
    outcomes: Array,
    chances: Mapping[str, Array],
    kind: str,
    rng: np.random.Generator,
) -> dict[str, RoleFit]:
    r"""Fit roles together.

    The expected outcome of a bird is that of each role weighted by its chance,

    .. math:: E[y_i] = \sum_r p_{ri}\, \eta_r(x_i),

    so that a bird of unknown role teaches both in proportion. The regression is unbiased where
    chances are calibrated; drawing roles without the outcome and fitting each draw would mix the
    roles' effects. Both roles share the standard deviations of their random effects, in units
    of their own scatter.

    Parameters
    ----------
    birds : DataFrame
        See `SupportModel.fit`.
    outcomes : ndarray, (D, n)
        Without missing values.
    chances : mapping of role to ndarray, (n,)
    kind : {"mean", "share"}
        For shares the chances weight logits, an approximation.
    rng : Generator

    Returns
    -------
    dict of RoleFit
    """
    blocks = {
        role: (np.flatnonzero(chance > 0), build_design(birds[chance > 0], chance[chance > 0]))
        for role, chance in chances.items()
    }
    scales = dict.fromkeys(blocks, LOGISTIC_SD)
    if kind == "mean":
        scales = {
            role: _scatter(outcomes[:, rows], chances[role][rows], design)
            for role, (rows, design) in blocks.items()
        }
    row_scale = np.sqrt(sum(chances[role] * scale**2 for role, scale in scales.items()))
    shares = {role: chances[role] * scale / row_scale for role, scale in scales.items()}
    layout = _lay_out(blocks, shares)
    prior_sd = np.concatenate([design.prior_sd for _, design in blocks.values()])
    if kind == "share":
        prior_sd = np.where(np.isinf(prior_sd), _INTERCEPT_SD, prior_sd)
        prior = Prior(np.zeros(len(prior_sd)), prior_sd, _SHARE_SD_SCALE)
        columns = layout.columns * LOGISTIC_SD
        drawn = draw_share_posterior(outcomes, columns, layout.counts, prior=prior, rng=rng)
        coefficients, efficiency = drawn.coefficients, 1.0
    else:
        prior = Prior(np.zeros(len(prior_sd)), prior_sd, 1.0)
        distinct = outcomes[:1] if (outcomes == outcomes[0]).all() else outcomes
        sums = sum_columns(
            (distinct / row_scale).T, layout.columns, layout.counts, cells=site_days(birds)
        )
        found = draw_posterior(sums, prior, rng, len(outcomes))
        coefficients, efficiency = found.coefficients, found.efficiency
    return {
        role: RoleFit(
            design,
            rows,
            chances[role][rows],
            coefficients[:, layout.places[role]] * scales[role],
            scales[role],
            efficiency,
        )
        for role, (rows, design) in blocks.items()
    }


@dataclass(frozen=True)
class _Layout:
    columns: Array  # (n, P): designs of the roles, then their levels, effect by effect
    counts: tuple[int, ...]  # levels of each random effect, of all roles
    places: dict[str, Integers]  # columns of each role, in the order of its own design


def _lay_out(
    blocks: Mapping[str, tuple[Integers, RoleDesign]], shares: Mapping[str, Array]
) -> _Layout:
    """Set the roles' columns beside each other, each bird's by its share in the role."""
    designs = [design for _, design in blocks.values()]
    names = dict.fromkeys(effect.name for design in designs for effect in design.effects)
    parts: list[Array] = []
    counts: list[int] = []
    places: dict[str, list[Integers]] = {role: [] for role in blocks}
    width = 0
    for name in ("", *names):
        first = width
        for role, (rows, design) in blocks.items():
            own = _own_columns(design, name)
            part = np.zeros((len(shares[role]), own.shape[1]))
            part[rows] = own * shares[role][rows, None]
            parts.append(part)
            places[role].append(np.arange(width, width + own.shape[1]))
            width += own.shape[1]
        counts.append(width - first)
    joined = {role: np.concatenate(each) for role, each in places.items()}
    return _Layout(np.concatenate(parts, axis=1), tuple(counts[1:]), joined)


def _own_columns(design: RoleDesign, name: str) -> Array:
    """The design itself for the empty name, else the indicator columns of a random effect."""
    if not name:
        return design.columns
    effects = [effect for effect in design.effects if effect.name == name]
    return full_columns(np.zeros((len(design.columns), 0)), effects)


def _scatter(outcomes: Array, chance: Array, design: RoleDesign) -> float:
    """Standard deviation of a bird within its site and season, mean over the draws."""
    pairs = pd.factorize(design.site * len(design.season_names) + design.season)[0]
    total = np.maximum(np.bincount(pairs, chance), 1e-12)
    free = max(chance.sum() - len(total), 1.0)
    spreads = []
    for values in outcomes[:: max(1, len(outcomes) // 20)]:
        away = values - (np.bincount(pairs, chance * values) / total)[pairs]
        spreads.append(np.sqrt((chance * away**2).sum() / free))
    if not np.mean(spreads) > 1e-12 * max(1.0, float(np.abs(outcomes[0]).max())):
        raise Refused("the outcome is the same for every bird: nothing can be learned")
    return float(np.mean(spreads))


def require_birds(outcomes: Array, chance: Array, kind: str) -> None:
    """Refuse a role with too few birds, or too few of either answer."""
    birds = float(chance.sum())
    if birds < FEWEST_BIRDS:
        raise Refused(f"{birds:.0f} birds, {FEWEST_BIRDS} needed")
    if kind == "share":
        yes = float((chance * outcomes).sum(axis=1).mean())
        if min(yes, birds - yes) < FEWEST_OF_EITHER:
            raise Refused(
                f"{yes:.0f} birds with yes and {birds - yes:.0f} with no, "
                f"{FEWEST_OF_EITHER} of either needed"
            )
