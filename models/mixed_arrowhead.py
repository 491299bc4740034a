"""Symmetric matrices that are block-diagonal but for a border, and their factors.

Levels of the largest random effect of a mixed model (a site's seasons) hardly ever meet in a row:
among themselves their sums of products lie in small blocks, and only the few other columns join
them. Eliminating the blocks first leaves a matrix of those few. (`season_arrow` does the same in
JAX for the season model, whose blocks are laid out by site and year beforehand.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

Array = npt.NDArray[np.float64]
Integers = npt.NDArray[np.intp]

_WIDEST = 4  # columns of a block, beyond which blocks no longer pay


@dataclass(frozen=True)
class Arrowhead:
    """Symmetric matrices of G blocks of width b and a border of q columns.

    Attributes
    ----------
    blocks : ndarray, (..., G, b, b)
    side : ndarray, (..., G·b, q)
    corner : ndarray, (..., q, q)
    """

    blocks: Array
    side: Array
    corner: Array

    @classmethod
    def stack(cls, several: Sequence[Arrowhead]) -> Arrowhead:
        """Several of one layout, along a new leading axis."""
        parts = zip(*((one.blocks, one.side, one.corner) for one in several), strict=True)
        return cls(*map(np.stack, parts))

    def summed(self, weight: Array, diagonal: Array) -> Arrowhead:
        """Weighted sums over the leading axis, (S, C), and a diagonal more, (S, G·b + q)."""
        parts = (self.blocks, self.side, self.corner)
        blocks, side, corner = (np.tensordot(weight, part, 1) for part in parts)
        own, last = np.arange(blocks.shape[-1]), np.arange(corner.shape[-1])
        inside = side.shape[-2]
        blocks[..., own, own] += diagonal[:, :inside].reshape(blocks.shape[:-1])
        corner[..., last, last] += diagonal[:, inside:]
        return Arrowhead(blocks, side, corner)


@dataclass(frozen=True)
class Arrangement:
    """Order of P columns in which their sums of products are an arrowhead.

    Attributes
    ----------
    order : ndarray of int, (L,)
        Place of each column among the P; P for empty ones, which fill up blocks.
    total, width, border : int
        P, b and q: the border comes last, in its former order.
    """

    order: Integers
    total: int
    width: int
    border: int

    @classmethod
    def of(cls, met: npt.NDArray[np.bool_], first: int, count: int) -> Arrangement:
        """Arrange by the `count` columns from `first`, where blocks are those that meet in a row.

        Examples
        --------
        >>> met = np.array([[1, 1, 0, 0], [1, 0, 1, 1], [1, 0, 0, 1]], dtype=bool)
        >>> Arrangement.of(met, first=1, count=3)
        Arrangement(order=array([1, 4, 2, 3, 0]), total=4, width=2, border=1)
        """
        total = met.shape[1]
        levels = csr_array(met[:, first : first + count].astype(np.int64))
        number, block = connected_components(levels.T @ levels, directed=False)
        size = np.bincount(block, minlength=number)
        if not count or size.max() > _WIDEST:
            return cls(np.arange(total), total, 1, total)
        width = int(size.max())
        inside = np.full((number, width), total)
        by_block = np.argsort(block, kind="stable")
        within = np.arange(count) - np.repeat(np.cumsum(size) - size, size)
        inside[block[by_block], within] = first + by_block
        others = np.delete(np.arange(total), np.arange(first, first + count))
        return cls(np.concatenate([inside.ravel(), others]), total, width, len(others))

    def columns(self, rows: Array) -> Array:
        """Columns of rows in this order, shape (n, L)."""
        return np.where(self.order < self.total, rows[:, self.order % self.total], 0.0)

    def arrowhead(self, full: Array) -> Arrowhead:
        """Blocks and border of a matrix of arranged columns, shape (L, L)."""
        inside = len(self.order) - self.border
        shape = inside // self.width, self.width
        blocks = np.einsum("gigj->gij", full[:inside, :inside].reshape(*shape, *shape))
        parts = blocks, full[:inside, inside:], full[inside:, inside:]
        return Arrowhead(*map(np.array, parts))

    def restored(self, coefficients: Array) -> Array:
        """Coefficients of arranged columns, shape (L, D), in the former order, shape (P, D)."""
        former = np.empty((self.total + 1, coefficients.shape[1]))
        former[self.order] = coefficients
        return former[:-1]


class Factor:
    """Cholesky factors L of S arrowheads.

    Raises
    ------
    LinAlgError
        If one is not positive definite.

    Examples
    --------
    >>> import numpy as np
    >>> full = np.array([[4.0, 0, 1], [0, 9, 2], [1, 2, 5]])
    >>> blocks = full[[0, 1], [0, 1]].reshape(1, 2, 1, 1)
    >>> factor = Factor(Arrowhead(blocks, full[None, :2, 2:], full[None, 2:, 2:]))
    >>> right = np.array([[[1.0], [2], [3]]])
    >>> bool(np.allclose(full @ factor.back(factor.half(right))[0], right[0]))
    True
    >>> bool(np.isclose(factor.log_det[0], np.linalg.slogdet(full)[1]))
    True
    """

    def __init__(self, matrices: Arrowhead) -> None:
        root = np.linalg.cholesky(matrices.blocks)
        self._inverse = np.linalg.inv(root)  # of blocks a few columns wide
        self._side = self._by_block(self._inverse, matrices.side)
        left = np.swapaxes(self._side, -1, -2)
        self._corner = np.linalg.cholesky(matrices.corner - left @ self._side)
        diagonals = (np.diagonal(one, axis1=-2, axis2=-1) for one in (root, self._corner))
        of_blocks, of_corner = (np.log(diagonal) for diagonal in diagonals)
        self.log_det = 2 * (of_blocks.sum(axis=(-2, -1)) + of_corner.sum(axis=-1))

    @staticmethod
    def _by_block(blocks: Array, columns: Array) -> Array:
        each = columns.reshape(*blocks.shape[:-1], columns.shape[-1])
        return (blocks @ each).reshape(columns.shape)

    def half(self, right: Array) -> Array:
        """L⁻¹ of right sides, shape (S, G·b + q, D)."""
        inside = self._side.shape[-2]
        first = self._by_block(self._inverse, right[:, :inside])
        rest = right[:, inside:] - np.swapaxes(self._side, -1, -2) @ first
        return np.concatenate([first, self._solve_corner(rest, trans=0)], axis=1)

    def back(self, right: Array) -> Array:
        """The transpose of L, solved for right sides, shape (S, G·b + q, D)."""
        inside = self._side.shape[-2]
        rest = self._solve_corner(right[:, inside:], trans=1)
        first = right[:, :inside] - self._side @ rest
        upper = np.swapaxes(self._inverse, -1, -2)
        return np.concatenate([self._by_block(upper, first), rest], axis=1)

    def _solve_corner(self, right: Array, trans: int) -> Array:
        return np.stack(
            [
                solve_triangular(one, columns, lower=True, trans=trans, check_finite=False)
                for one, columns in zip(self._corner, right, strict=True)
            ]
        )
