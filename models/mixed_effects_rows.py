"""Rows of a mixed model as sums of products: all that its likelihood needs of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from phenology.models.mixed_arrowhead import Arrangement, Array, Arrowhead, Integers


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

    Columns are arranged; cells have been gathered by their number of rows, so that cells of
    equal size share one matrix. The leading axis C is that of all rows, then the totals of cells
    of each size.

    Attributes
    ----------
    arrangement : Arrangement
        Of the P columns: the design, then the levels of each random effect.
    products : Arrowhead of C matrices
    cross : ndarray, (C, L, D)
        With each of D outcomes.
    square : ndarray, (C, D)
    rows : int
        Of weight above zero.
    log_weight : float
        Sum of the log weights.
    design : int
        Columns of the design among the P, the first of the border.
    counts : tuple of int
        Levels of each random effect.
    cell_size, cell_number : ndarray, (C - 1,)
        Distinct sizes of cells and how many cells have each.
    """

    arrangement: Arrangement
    products: Arrowhead
    cross: Array
    square: Array
    rows: int
    log_weight: float
    design: int
    counts: tuple[int, ...]
    cell_size: Array
    cell_number: Array

    @property
    def sds(self) -> int:
        """Number of standard deviations: residual, one an effect, cells if any."""
        return 1 + len(self.counts) + (self.cell_size.size > 0)

    def some(self, outcomes: slice | Integers) -> RowSums:
        """The sums with some of the outcomes alone."""
        return replace(self, cross=self.cross[..., outcomes], square=self.square[..., outcomes])


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

    Returns
    -------
    RowSums

    Raises
    ------
    ValueError
        For cells with weights other than 0 and 1.

    Examples
    --------
    >>> site = RandomEffect("site", np.array([0, 0, 1, 1]), 2)
    >>> sums = sum_rows(np.array([1.0, 2.0, 3.0, 5.0]), np.ones((4, 1)), [site])
    >>> sums.rows, sums.square[0].tolist(), sums.products.corner[0].tolist()
    (4, [39.0], [[4.0]])
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
    if cells is not None and not np.isin(weight, (0.0, 1.0)).all():
        raise ValueError("cells need weights of 0 or 1")
    kept = weight > 0
    weight, values, full = weight[kept], values[kept], columns[kept]
    cell = np.arange(len(full)) if cells is None else np.unique(cells[kept], return_inverse=True)[1]
    order = np.argsort(cell, kind="stable")
    starts = np.flatnonzero(np.diff(cell[order], prepend=-1))
    met = np.logical_or.reduceat((full != 0)[order], starts, axis=0)
    design, largest = columns.shape[1] - sum(counts), int(np.argmax((*counts, 0)))
    arranged = Arrangement.of(met, design + sum(counts[:largest]), (*counts, 0)[largest])
    root = np.sqrt(weight)[:, None]
    parts = [(arranged.columns(full) * root, values * root)]
    size = number = np.zeros(0, dtype=np.intp)
    if cells is not None:
        totals, sums = (np.add.reduceat(part[order], starts, axis=0) for part in parts[0])
        size, which, number = np.unique(
            np.diff(starts, append=len(full)), return_inverse=True, return_counts=True
        )
        parts += [(totals[which == at], sums[which == at]) for at in range(size.size)]
    return RowSums(
        arrangement=arranged,
        products=Arrowhead.stack([arranged.arrowhead(rows.T @ rows) for rows, _ in parts]),
        cross=np.stack([rows.T @ outcomes for rows, outcomes in parts]),
        square=np.stack([(outcomes**2).sum(axis=0) for _, outcomes in parts]),
        rows=len(weight),
        log_weight=float(np.log(weight).sum()),
        design=design,
        counts=counts,
        cell_size=size.astype(float),
        cell_number=number.astype(float),
    )


def full_columns(design: Array, effects: Sequence[RandomEffect]) -> Array:
    """The design, then one column a level of each random effect; shape (n, P)."""
    columns = [np.asarray(design, dtype=float)]
    for effect in effects:
        indicator = np.zeros((len(effect.level), effect.count))
        slope = 1.0 if effect.slope is None else effect.slope
        indicator[np.arange(len(effect.level)), effect.level] = slope
        columns.append(indicator)
    return np.concatenate(columns, axis=1)
