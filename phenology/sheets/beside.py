"""What a bird's other measurements lead one to expect of each one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

WINSOR = 3.5  # scores are drawn in to this before correlations are taken
OWN_CORRELATION_BIRDS = 150  # a species with fewer shares the correlations of all birds
_SHRINK = 0.97


@dataclass(frozen=True)
class Expectation:
    """Correlations of standard scores, by species, and what they say of a bird's scores."""

    correlations: Floats  # (species, measurements, measurements)
    species: Ints  # of each row, the place in `correlations`

    @classmethod
    def learn(cls, scores: Floats, species: Ints) -> Expectation:
        """Learn correlations from standard scores (rows, measurements), missing allowed."""
        drawn_in = np.clip(scores, -WINSOR, WINSOR)
        kinds = int(species.max(initial=-1)) + 1
        together = _correlation(drawn_in)
        own = [
            _correlation(drawn_in[species == kind])
            if np.count_nonzero(species == kind) >= OWN_CORRELATION_BIRDS
            else together
            for kind in range(kinds)
        ]
        return cls(np.array([*own, together]), np.where(species < 0, kinds, species))

    def conditional_scores(self, scores: Floats) -> Floats:
        """Score each measurement against what the bird's other ones lead one to expect.

        Returns
        -------
        ndarray
            Shape of `scores`; missing where the bird has no other measurement.
        """
        result = np.full(scores.shape, np.nan)
        present = np.isfinite(scores)
        pattern = self.species * 2 ** scores.shape[1] + present @ (2 ** np.arange(scores.shape[1]))
        drawn_in = np.clip(np.nan_to_num(scores), -WINSOR, WINSOR)
        counts = np.bincount(pattern)
        for number in np.flatnonzero(counts):
            kind, bits = divmod(int(number), 2 ** scores.shape[1])
            has = np.flatnonzero([bits >> place & 1 for place in range(scores.shape[1])])
            if len(has) < 2:
                continue
            rows = pattern == number if len(counts) > 1 else slice(None)
            inverse = np.linalg.inv(self.correlations[kind][np.ix_(has, has)])
            scale = 1 / np.sqrt(np.diag(inverse))
            off = inverse * scale[:, None] ** 2
            np.fill_diagonal(off, 0.0)
            expected = -drawn_in[rows][:, has] @ off.T
            result[np.ix_(np.flatnonzero(pattern == number), has)] = (
                scores[rows][:, has] - expected
            ) / scale
        return result

    def of_one(self, row: int, scores: Floats, column: int) -> tuple[float, float]:
        """Expected score of one measurement of a bird, and its spread, from the others."""
        others = [
            place
            for place in np.flatnonzero(np.isfinite(scores))
            if place != column and abs(scores[place]) <= WINSOR
        ]
        if not others:
            return 0.0, 1.0
        correlation = self.correlations[self.species[row]]
        weights = np.linalg.solve(correlation[np.ix_(others, others)], correlation[others, column])
        spread = np.sqrt(max(1.0 - float(weights @ correlation[others, column]), 0.02))
        return float(weights @ scores[others]), float(spread)


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
