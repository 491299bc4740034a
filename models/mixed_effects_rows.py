"""Rows of a mixed model as sums of products: all that its likelihood needs of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Integers = npt.NDArray[np.intp]


@dataclass(frozen=True)
class RandomEffect:
    """One grouping of the rows whose levels share a normal distribution.

    Parameters
    ----------
    name : str
    level : ndarray of int, (n,)
        Level of each row, from 0.
    count : int
        Number of levels.
    slope : ndarray, (n,), optional
        The effect acts on this variable (a random slope); by default on the level itself.
    """

    name: str
    level: Integers
    count: int
    slope: Array | None = None


@dataclass(frozen=True)
class RowSums:
    """Sums of products of weighted rows: all that the likelihood needs.

    Columns are those of the design, then the levels of each random effect. `cells` have been
    gathered by their number of rows, so that cells of equal size share one matrix.

    Attributes
    ----------
    products : ndarray, (P, P)
    cross : ndarray, (P, D)
        With each of D outcomes.
    square : ndarray, (D,)
    rows : int
        Of weight above zero.
    log_weight : float
        Sum of the log weights.
    design : int
        Columns of the design among the P.
    counts : tuple of int
        Levels of each random effect.
    cell_size, cell_number : ndarray, (C,)
        Distinct sizes of cells and how many cells have each.
    cell_products, cell_cross, cell_square : ndarray, (C, P, P), (C, P, D), (C, D)
        Summed over the cells of a size.
    """

    products: Array
    cross: Array
    square: Array
    rows: int
    log_weight: float
    design: int
    counts: tuple[int, ...]
    cell_size: Array
    cell_number: Array
    cell_products: Array
    cell_cross: Array
    cell_square: Array

    @property
    def sds(self) -> int:
        """Number of standard deviations: residual, one an effect, cells if any."""
        return 1 + len(self.counts) + (self.cell_size.size > 0)

    def some(self, outcomes: slice) -> RowSums:
        """The sums with some of the outcomes alone."""
        return replace(
            self,
            cross=self.cross[:, outcomes],
            square=self.square[outcomes],
            cell_cross=self.cell_cross[..., outcomes],
            cell_square=self.cell_square[:, outcomes],
        )


def sum_rows(
    outcome: Array,
    design: Array,
    effects: Sequence[RandomEffect],
    weights: Array | None = None,
    cells: Integers | None = None,
) -> RowSums:
    """Sum products over the rows.

    Parameters
    ----------
    outcome : ndarray, (n,) or (n, D)
        One column an outcome on the same rows.
    design : ndarray, (n, p)
    effects : sequence of RandomEffect
    weights : ndarray, (n,), optional
        A row of weight w has variance σ²/w; one of weight 0 is left out.
    cells : ndarray of int, (n,), optional
        A finest grouping (birds of one site and day) whose effect is integrated out, never
        estimated; it may have thousands of levels. Weights must then be 0 or 1.

    Raises
    ------
    ValueError
        For cells with weights other than 0 and 1.
    """
    counts = tuple(effect.count for effect in effects)
    return sum_columns(outcome, full_columns(design, effects), counts, weights, cells)


def sum_columns(
    outcome: Array,
    columns: Array,
    counts: tuple[int, ...],
    weights: Array | None = None,
    cells: Integers | None = None,
) -> RowSums:
    """Sum products over rows whose columns are laid out already: design, then `counts` levels."""
    values = np.asarray(outcome, dtype=float).reshape(len(columns), -1)
    weight = np.ones(len(values)) if weights is None else np.asarray(weights, dtype=float)
    kept = weight > 0
    weight, values, full = weight[kept], values[kept], columns[kept]
    weighted = full * weight[:, None]
    sums = RowSums(
        products=weighted.T @ full,
        cross=weighted.T @ values,
        square=np.einsum("i,ij,ij->j", weight, values, values),
        rows=len(weight),
        log_weight=float(np.log(weight).sum()),
        design=columns.shape[1] - sum(counts),
        counts=counts,
        cell_size=np.zeros(0),
        cell_number=np.zeros(0),
        cell_products=np.zeros((0, full.shape[1], full.shape[1])),
        cell_cross=np.zeros((0, full.shape[1], values.shape[1])),
        cell_square=np.zeros((0, values.shape[1])),
    )
    if cells is None:
        return sums
    if not (weight == 1.0).all():
        raise ValueError("cells need weights of 0 or 1")
    return _gather_cells(sums, full, values, np.asarray(cells)[kept])


def full_columns(design: Array, effects: Sequence[RandomEffect]) -> Array:
    """The design, then one column a level of each random effect; shape (n, P)."""
    columns = [np.asarray(design, dtype=float)]
    for effect in effects:
        indicator = np.zeros((len(effect.level), effect.count))
        slope = 1.0 if effect.slope is None else effect.slope
        indicator[np.arange(len(effect.level)), effect.level] = slope
        columns.append(indicator)
    return np.concatenate(columns, axis=1)


def _gather_cells(sums: RowSums, full: Array, values: Array, cells: Integers) -> RowSums:
    _, cell = np.unique(cells, return_inverse=True)
    order = np.argsort(cell, kind="stable")
    starts = np.flatnonzero(np.diff(cell[order], prepend=-1))
    totals = np.add.reduceat(full[order], starts, axis=0)
    outcomes = np.add.reduceat(values[order], starts, axis=0)
    size, which, number = np.unique(np.bincount(cell), return_inverse=True, return_counts=True)
    members = [np.flatnonzero(which == place) for place in range(size.size)]
    return replace(
        sums,
        cell_size=size.astype(float),
        cell_number=number.astype(float),
        cell_products=np.stack([totals[own].T @ totals[own] for own in members]),
        cell_cross=np.stack([totals[own].T @ outcomes[own] for own in members]),
        cell_square=np.stack([(outcomes[own] ** 2).sum(axis=0) for own in members]),
    )
