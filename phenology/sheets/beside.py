"""What a bird's other measurements lead one to expect of each one."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.floating]
Ints = npt.NDArray[np.integer]

WINSOR = 3.5  # scores are drawn in to this before correlations are taken
OWN_CORRELATION_BIRDS = 150  # a species with fewer shares the correlations of all birds
LEARNED_FROM = 50_000  # birds, evenly taken: more would not change a correlation
_SHRINK = 0.97


@dataclass(frozen=True)
class Expectation:
    """Correlations of standard scores, by species, and what they say of a bird's scores."""

    correlations: Floats  # (species, measurements, measurements)
    species: Ints  # of each row, the place in `correlations`
    known_weights: dict[tuple[int, tuple[int, ...], int], tuple[Floats, float]] = field(
        default_factory=dict
    )

    @classmethod
    def learn(cls, scores: Floats, species: Ints) -> Expectation:
        """Learn correlations from standard scores (rows, measurements), missing allowed."""
        kinds = int(species.max(initial=-1)) + 1
        every = max(len(scores) // LEARNED_FROM, 1)
        drawn_in, of = np.clip(scores[::every], -WINSOR, WINSOR), species[::every]
        together = _correlation(drawn_in)
        own = [
            _correlation(drawn_in[of == kind])
            if np.count_nonzero(of == kind) >= OWN_CORRELATION_BIRDS
            else together
            for kind in range(kinds)
        ]
        return cls(np.array([*own, together]), np.where(species < 0, kinds, species))

    def may_exceed(self, scores: Floats, rows: Ints, limit: float) -> npt.NDArray[np.bool_]:
        """Whether conditional scores of some rows may exceed a limit, or a bound rules it out."""
        bounds = np.empty(len(self.correlations))
        for kind, correlation in enumerate(self.correlations):
            inverse = np.linalg.inv(correlation)
            spread = 1 / np.sqrt(np.diag(inverse))
            weights = np.abs(inverse).sum(axis=1) * spread**2  # its own, 1, and the others'
            bounds[kind] = np.min(limit * spread / weights)
        farthest = np.zeros(len(scores))
        for column in scores.T:
            np.maximum(farthest, np.abs(column), out=farthest)
        return ~(farthest < bounds[self.species[rows]])

    def conditional_scores(self, scores: Floats, rows: Ints) -> Floats:
        """Score each measurement of some rows against what the bird's other ones lead to expect.

        Parameters
        ----------
        scores : ndarray
            Standard scores of those rows (rows, measurements).
        rows : ndarray of int
            Which captures they are.

        Returns
        -------
        ndarray
            Shape of `scores`; missing where the bird has no other measurement.
        """
        result = np.full(scores.shape, np.nan)
        present = np.isfinite(scores)
        pattern = self.species[rows] * 2 ** scores.shape[1] + present @ (
            2 ** np.arange(scores.shape[1])
        )
        drawn_in = np.clip(np.nan_to_num(scores), -WINSOR, WINSOR)
        counts = np.bincount(pattern)
        for number in np.flatnonzero(counts):
            kind, bits = divmod(int(number), 2 ** scores.shape[1])
            has = np.flatnonzero([bits >> place & 1 for place in range(scores.shape[1])])
            if len(has) < 2:
                continue
            here = np.flatnonzero(pattern == number)
            inverse = np.linalg.inv(self.correlations[kind][np.ix_(has, has)])
            scale = 1 / np.sqrt(np.diag(inverse))
            off = inverse * scale[:, None] ** 2
            np.fill_diagonal(off, 0.0)
            expected = -drawn_in[np.ix_(here, has)] @ off.T
            result[np.ix_(here, has)] = (scores[np.ix_(here, has)] - expected) / scale
        return result

    def of_one(self, row: int, scores: Floats, column: int) -> tuple[float, float]:
        """Expected score of one measurement of a bird, and its spread, from the others."""
        others = tuple(
            place
            for place, score in enumerate(scores.tolist())
            if place != column and abs(score) <= WINSOR
        )
        if not others:
            return 0.0, 1.0
        weights, spread = self._weights(int(self.species[row]), others, column)
        return float(weights @ scores[list(others)]), spread

    def _weights(self, kind: int, others: tuple[int, ...], column: int) -> tuple[Floats, float]:
        """Weights of other measurements in what is expected of one, and its spread."""
        key = (kind, others, column)
        if key not in self.known_weights:
            correlation = self.correlations[kind]
            with_it = correlation[list(others), column]
            weights = np.linalg.solve(correlation[np.ix_(others, others)], with_it)
            spread = math.sqrt(max(1.0 - float(weights @ with_it), 0.02))
            self.known_weights[key] = weights, spread
        return self.known_weights[key]


def _correlation(scores: Floats) -> Floats:
    """Pairwise correlations, missing values left out pair by pair, made positive definite."""
    present = np.isfinite(scores)
    filled = np.where(present, scores, 0.0)
    counts = present.T.astype(float) @ present
    sums = filled.T @ present
    squares = (filled**2).T @ present
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = sums / counts
        covariance = filled.T @ filled / counts - mean * mean.T
        variance = squares / counts - mean**2
        correlation = covariance / np.sqrt(variance * variance.T)
    correlation = np.where(counts >= 30, np.nan_to_num(correlation), 0.0) * _SHRINK
    np.fill_diagonal(correlation, 1.0)
    values, vectors = np.linalg.eigh(correlation)
    positive = (vectors * np.maximum(values, 0.02)) @ vectors.T
    scale = np.sqrt(np.diag(positive))
    return np.asarray(positive / scale[:, None] / scale[None, :])
