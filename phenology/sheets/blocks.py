"""Rows whose measurements stand a row out, or repeat the row above."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.sheets.measured import Measured
from phenology.sheets.ranges import Floats, Ints

WINDOW_ROWS = 30  # looked at on either side of a row that holds an implausible value
FEWEST_ROWS = 3
FEWEST_ODD_ROWS = 2
LEAST_GAIN = 12.0  # in log plausibility, over the block
COST_OF_ROW = 0.3  # in log plausibility: chance alone lets some rows fit a neighbour better
REPEAT_CHANCE = 1e-4  # a repeated row must be less likely than this by chance
FEWEST_REPEATED = 3

_FREEDOM = 4.0


@dataclass(frozen=True)
class Block:
    """Consecutive captures whose values of some columns belong to the row `shift` before."""

    first: int
    last: int
    columns: tuple[int, ...]
    shift: int  # the bird at row r was given the values of row r - shift; they stand at r + shift


def find_shifted_blocks(measured: Measured, odd: npt.NDArray[np.bool_], parts: Ints) -> list[Block]:
    """Find blocks of columns shifted by a row.

    Parameters
    ----------
    measured : Measured
    odd : ndarray of bool
        Implausible cells (captures, measurements); blocks are looked for around them.
    parts : ndarray of int
        File or tab of each capture; a block lies within one.

    Returns
    -------
    list of Block
    """
    blocks: list[Block] = []
    odd_rows = np.flatnonzero(odd.any(axis=1))
    for window in _windows(odd_rows, parts):
        found = [_best_block(measured, window, shift) for shift in (1, -1)]
        ranked = sorted((pair for pair in found if pair is not None), key=lambda pair: -pair[1])
        for block, _ in ranked[:1]:
            inside = (odd_rows >= block.first) & (odd_rows <= block.last)
            if inside.sum() >= FEWEST_ODD_ROWS:
                blocks.append(block)
    return blocks


def _windows(odd_rows: Ints, parts: Ints) -> list[Ints]:
    """Stretches of captures around implausible rows that stand close together."""
    windows = []
    for group in np.split(odd_rows, np.flatnonzero(np.diff(odd_rows) > WINDOW_ROWS // 2) + 1):
        if len(group) < FEWEST_ODD_ROWS:
            continue
        first, last = max(group[0] - WINDOW_ROWS, 0), min(group[-1] + WINDOW_ROWS, len(parts) - 1)
        rows = np.arange(first, last + 1)
        windows.append(rows[parts[rows] == parts[group[0]]])
    return windows


def _best_block(measured: Measured, window: Ints, shift: int) -> tuple[Block, float] | None:
    """Find the stretch and columns that gain most when each row takes its neighbour's values."""
    neighbour = window + shift
    inside = (neighbour >= window[0]) & (neighbour <= window[-1])
    rows, neighbour = window[inside], neighbour[inside]
    gains = np.column_stack(
        [
            _plausibility(_scores_of(measured, rows, column, measured.value(neighbour, column)))
            - _plausibility(measured.scores[rows, column])
            for column in range(len(measured.names))
        ]
    )
    gains = np.nan_to_num(gains)
    columns = np.arange(gains.shape[1])
    first = last = 0
    for _ in range(3):
        first, last, _ = _best_stretch(gains[:, columns].sum(axis=1) - COST_OF_ROW)
        better = gains[first : last + 1].sum(axis=0) > COST_OF_ROW * (last - first + 1)
        if not better.any() or np.array_equal(np.flatnonzero(better), columns):
            break
        columns = np.flatnonzero(better)
    first, last, gain = _best_stretch(gains[:, columns].sum(axis=1) - COST_OF_ROW)
    if last - first + 1 < FEWEST_ROWS or gain < LEAST_GAIN:
        return None
    return Block(int(rows[first]), int(rows[last]), tuple(columns.tolist()), shift), gain


def _scores_of(measured: Measured, rows: Ints, column: int, values: Floats) -> Floats:
    return measured.ranges[column].spreads(values, measured.classes.finest[rows])


def _plausibility(scores: Floats) -> Floats:
    """Log density of a heavy-tailed distribution, so that no single cell decides."""
    return -(_FREEDOM + 1) / 2 * np.log1p(np.minimum(scores**2, 100.0) / _FREEDOM)


def _best_stretch(gains: Floats) -> tuple[int, int, float]:
    """Find the consecutive entries with the largest sum (Kadane's algorithm)."""
    best, best_first, best_last = -np.inf, 0, 0
    running, first = 0.0, 0
    for place, gain in enumerate(gains):
        if running <= 0:
            running, first = 0.0, place
        running += float(gain)
        if running > best:
            best, best_first, best_last = running, first, place
    return best_first, best_last, float(best)


def find_repeated_rows(
    measured: Measured, odd: npt.NDArray[np.bool_], parts: Ints, chance: float = REPEAT_CHANCE
) -> list[int]:
    """Find captures whose measurements equal those of the row above.

    All of them, or several of which one at least is implausible for the bird.

    Parameters
    ----------
    measured : Measured
    odd : ndarray of bool
        Implausible cells (captures, measurements).
    parts : ndarray of int
        File or tab of each capture.
    chance : float, optional
        How likely the agreement may be by chance.
    """
    if len(parts) < 2:
        return []
    same = np.zeros((len(parts) - 1, len(measured.codes)), dtype=bool, order="F")
    both = np.zeros_like(same, order="F")
    for column, codes in enumerate(measured.codes):
        known = codes >= 0
        both[:, column] = known[1:] & known[:-1]
        same[:, column] = (codes[1:] == codes[:-1]) & both[:, column]
    agreement = np.clip(same.sum(axis=0) / np.maximum(both.sum(axis=0), 1), 1e-3, 1.0)
    rows = np.flatnonzero((same.sum(axis=1) >= FEWEST_REPEATED) & (parts[:-1] == parts[1:]))
    same, both = same[rows], both[rows]
    repeated = (same == both).all(axis=1) | (same & odd[rows + 1]).any(axis=1)
    repeated &= same @ np.log(agreement) < np.log(chance)
    return [int(row) + 1 for row in rows[repeated]]
