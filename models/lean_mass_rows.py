"""Birds in the hand made into the rows, places and priors of the lean-mass likelihood."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.measurement import WingDistribution, rounding_step_g, wing_error_share

Array = npt.NDArray[np.float64]

FEWEST_BIRDS = 5  # of a species, to be fitted at all
_USUAL_REPEATABILITY = 0.5  # mean of its prior (`lean_mass_split`)
_NODES = 5  # Gauss-Legendre nodes over a rounding interval
_FINE_STEP = 0.05  # a step finer than this share of mass counts as normal error


class Layout(NamedTuple):
    """Where each group's parameters stand in θ."""

    species: tuple[str, ...]
    groups: tuple[str, ...]
    group_species: tuple[str, ...]
    classes: int
    places: npt.NDArray[np.int64]  # (G, L), in θ
    size: int


@dataclass(frozen=True)
class Prepared:
    """What was learned before the fit: wings, rounding, usual hours and meals, fat classes."""

    layout: Layout
    wings: WingDistribution
    wing_error: float
    wing_repeats: int
    wing_centre: dict[str, float]
    rounding_g: float
    covariate_mean: Array  # (4,)
    covariate_variance: Array  # (4,)
    prevalence: Array  # (species, class)

    def rows(self, used: pd.DataFrame) -> Any:
        """`lean_mass_likelihood.Rows` of these birds."""
        from phenology.models.lean_mass_likelihood import Rows

        wing_mm, error = _wing_of_bird(used, self.wing_error)
        wing = self.wings.true_log_wing(wing_mm, used["group"].to_numpy(), error)
        values = _covariates(used)
        missing = np.isnan(values)
        mass = used["mass_g"].to_numpy()
        nodes, node_weight, rounding = _rounding_nodes(mass, self.rounding_g)
        read, near, exits = _reading(used["fat_class"].to_numpy(), self.layout.classes)
        return Rows(
            log_mass=nodes,
            node_weight=node_weight,
            rounding_variance=rounding,
            log_wing=wing.mean - used["species"].map(self.wing_centre).to_numpy(dtype=float),
            wing_variance=wing.variance,
            covariate=np.where(missing, self.covariate_mean, values),
            covariate_variance=np.where(missing, self.covariate_variance, 0.0),
            prevalence=self.prevalence[[self.layout.species.index(s) for s in used["species"]]],
            read=read,
            near=near,
            exits=exits,
            weight=_weight(used),
        )

    def group_places(self, used: pd.DataFrame) -> npt.NDArray[np.int64]:
        """Place of each bird's group in the layout."""
        return np.array([self.layout.groups.index(group) for group in used["group"]])


def prepare(
    used: pd.DataFrame, wing_error: float | None = None, rounding_g: float | None = None
) -> Prepared:
    """Learn from the sheets what the fit takes as known."""
    error, repeats = wing_error, 0
    if error is None:
        error, repeats = wing_error_share(used["band"], used["wing_mm"])
    layout = lay_out(used)
    wings = WingDistribution.learn(used["wing_mm"], used["group"], used["species"], error)
    expected = wings.true_log_wing(used["wing_mm"].to_numpy(), used["group"].to_numpy(), error)
    centre = pd.Series(expected.mean).groupby(used["species"].to_numpy()).mean()
    covariates = pd.DataFrame(_covariates(used))
    return Prepared(
        layout=layout,
        wings=wings,
        wing_error=error,
        wing_repeats=repeats,
        wing_centre={str(species): float(value) for species, value in centre.items()},
        rounding_g=rounding_g or rounding_step_g(used["mass_g"]),
        covariate_mean=covariates.mean().fillna(0.0).to_numpy(),
        covariate_variance=covariates.var(ddof=0).fillna(0.0).to_numpy(),
        prevalence=_prevalence(used, layout),
    )


def complete(birds: pd.DataFrame, by: tuple[str, ...]) -> pd.DataFrame:
    """The columns the model needs, absent ones unknown; `group` from species and `by`."""
    if "species" not in birds or "mass_g" not in birds:
        raise ValueError("birds need the columns species and mass_g")
    if not birds.index.is_unique:
        raise ValueError("the index of birds must be unique: estimates are returned by it")
    table = pd.DataFrame(index=birds.index)
    table["species"] = birds["species"].astype(str)
    for column in by:
        values = birds[column] if column in birds else pd.Series("", index=birds.index)
        table[column] = values.astype(object).where(values.notna(), "unknown").astype(str)
    parts = [table["species"], *(table[column] for column in by)]
    table["group"] = [" ".join(part for part in row if part) for row in zip(*parts, strict=True)]
    for column in ("mass_g", "wing_mm", "hours_since_sunrise"):
        values = birds[column] if column in birds else pd.Series(np.nan, index=birds.index)
        table[column] = pd.to_numeric(values).astype(float)
    for column in ("mass_g", "wing_mm"):
        table[column] = table[column].where(table[column] > 0)
    fat = birds["fat_class"] if "fat_class" in birds else pd.Series(-1, index=birds.index)
    table["fat_class"] = pd.to_numeric(fat).astype(float).fillna(-1).astype(int)
    for column in ("crop", "band"):
        values = birds[column] if column in birds else pd.Series(pd.NA, index=birds.index)
        table[column] = values.astype(object).where(values.notna(), None)
    for column in ("fed_before_weighing", "gravid"):
        values = birds[column] if column in birds else pd.Series(pd.NA, index=birds.index)
        table[column] = values.astype("boolean")
    return table


def left_out(table: pd.DataFrame, fewest: int = FEWEST_BIRDS) -> pd.Series[str]:
    """Why each bird stays out of the fit, in words; empty where it does not."""
    reason = pd.Series("", index=table.index)
    reason = reason.mask(table["mass_g"].isna(), "no mass")
    reason = reason.mask((reason == "") & table["gravid"].fillna(False).astype(bool),
                         "gravid: mass carries an egg")  # fmt: skip
    usable = table["species"].where(reason == "").value_counts()
    rare = table["species"].map(usable).fillna(0) < fewest
    return reason.mask((reason == "") & rare, f"fewer than {fewest} birds of its species")


def lay_out(used: pd.DataFrame) -> Layout:
    """Give every parameter its place in θ."""
    from phenology.models.lean_mass_likelihood import LOCAL

    pairs = used[["species", "group"]].drop_duplicates().sort_values(["species", "group"])
    species = tuple(pairs["species"].drop_duplicates())
    groups = tuple(pairs["group"])
    classes = int(used["fat_class"].max()) + 1
    shared = {"exponent": 0, "hour": 1, "part": 2, "full": 3, "fed": 4, "fuel_scale": 5}
    steps = list(range(6, 6 + classes - 1))
    after = 6 + classes - 1
    by_species = {"species": 0, "exponent_species": 1, "fuel_species": 2}
    places = []
    for place, (name, _) in enumerate(pairs.itertuples(index=False)):
        s = species.index(name)
        row = [
            shared[part] if part in shared
            else after + 3 * s + by_species[part] if part in by_species
            else after + 3 * len(species) + place
            for part in LOCAL
        ]  # fmt: skip
        places.append(row + steps)
    size = after + 3 * len(species) + len(groups)
    return Layout(species, groups, tuple(pairs["species"]), classes, np.array(places), size)


def priors(layout: Layout, used: pd.DataFrame) -> tuple[Array, Array, Array, Array]:
    """Start, prior mean, prior sd, and where the sd is the group sd of φ; each (K,)."""
    from phenology.models.lean_mass_likelihood import FUEL_STEP_SD, LOCAL, PRIOR_MEAN, PRIOR_SD

    mean, sd = np.zeros(layout.size), np.full(layout.size, FUEL_STEP_SD)
    is_group = np.zeros(layout.size, dtype=bool)
    lean_end = np.log(used["mass_g"]).groupby(used["species"]).quantile(0.3)
    for place, name in enumerate(LOCAL):
        where = layout.places[:, place]
        mean[where] = PRIOR_MEAN.get(name, 0.0)
        sd[where] = PRIOR_SD.get(name, 1.0)
        is_group[where] = name == "group"
    mean[layout.places[:, 0]] = [lean_end[species] for species in layout.group_species]
    return mean.copy(), mean, sd, is_group


def bird_places(used: pd.DataFrame) -> npt.NDArray[np.int64]:
    """A number for each bird of a group; captures without a band are birds of their own."""
    bird = used["band"].astype(object).where(used["band"].notna(), None)
    alone = [f"capture {place}" for place in range(len(used))]
    names = [single if band is None else f"{band} {group}"
             for band, group, single in zip(bird, used["group"], alone, strict=True)]  # fmt: skip
    return np.asarray(pd.factorize(pd.Series(names))[0], dtype=np.int64)


def _wing_of_bird(used: pd.DataFrame, error: float) -> tuple[Array, Array]:
    """Mean wing over the captures of each bird, and its standard error as a share of wing."""
    log_wing = np.log(used["wing_mm"].astype(float)).reset_index(drop=True)
    captures = log_wing.groupby(bird_places(used))
    count = captures.transform("count").to_numpy()
    return np.exp(captures.transform("mean").to_numpy()), error / np.sqrt(np.maximum(count, 1))


def _weight(used: pd.DataFrame) -> Array:
    """Birds that each capture counts for: 1 / [1 + (k − 1) ρ], k captures a bird and ρ a half."""
    bird = bird_places(used)
    captures = np.bincount(bird)[bird]
    return np.asarray(1 / (1 + (captures - 1) * _USUAL_REPEATABILITY))


def _covariates(used: pd.DataFrame) -> Array:
    """Hours, part crop, full crop, fed; missing where not known, shape (n, 4)."""
    crop = used["crop"].where(used["crop"].isin(["empty", "part", "full"]))
    columns = [
        used["hours_since_sunrise"],
        (crop == "part").astype(float).where(crop.notna()),
        (crop == "full").astype(float).where(crop.notna()),
        used["fed_before_weighing"].astype("Float64"),
    ]
    return np.stack([column.to_numpy(dtype=float, na_value=np.nan) for column in columns], axis=1)


def _prevalence(used: pd.DataFrame, layout: Layout) -> Array:
    """Share of each fat class by species; species of few birds borrow from all."""
    known = used[used["fat_class"] >= 0]
    overall = np.bincount(known["fat_class"], minlength=layout.classes) + 0.5
    overall = overall / overall.sum()
    rows = []
    for species in layout.species:
        own = known.loc[known["species"] == species, "fat_class"]
        rows.append(np.bincount(own, minlength=layout.classes) + 5 * overall)
    return np.array([row / row.sum() for row in rows])


def _reading(fat_class: npt.NDArray[np.int64], classes: int) -> tuple[Array, Array, Array]:
    away = np.abs(np.arange(classes) - fat_class[:, None])
    missing = (fat_class < 0)[:, None]
    read = np.where(missing, 1.0, away == 0)
    exits = np.full(classes, 1.0)  # misreadings go to either neighbour, where there is one
    exits[[0, -1]] = 0.5 if classes > 1 else 0.0
    near = np.where(missing, 2 * exits, away == 1)  # not taken: every class is as likely to be so
    return read, near, exits


def _rounding_nodes(mass: Array, step: float) -> tuple[Array, Array, Array]:
    """Log masses within the rounding interval, their weights, and what variance stands for it."""
    if step / np.median(mass) < _FINE_STEP:
        return np.log(mass)[:, None], np.ones((mass.size, 1)), (step / mass) ** 2 / 12
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    at = np.maximum(mass[:, None] + nodes * step / 2, mass[:, None] / 4)
    return np.log(at), np.broadcast_to(weights / 2, at.shape).copy(), np.zeros(mass.size)


def padded_size(birds: int) -> int:
    """The next power of two, or three quarters of it, from 64: few sizes, little waste.

    Examples
    --------
    >>> [padded_size(birds) for birds in (5, 70, 100, 2500)]
    [64, 96, 128, 3072]
    """
    size = 1 << max(6, (birds - 1).bit_length())
    return size * 3 // 4 if birds <= size * 3 // 4 and size > 64 else size


def pad(rows: Any, size: int) -> Any:
    """Repeat the first bird, with weight 0, up to `size` rows."""
    extra = size - rows.weight.size
    if not extra:
        return rows
    padded = {
        name: values
        if name == "exits"
        else np.concatenate([values, np.repeat(values[:1], extra, 0)])
        for name, values in rows._asdict().items()
    }
    padded["weight"][-extra:] = 0.0
    return type(rows)(**padded)
