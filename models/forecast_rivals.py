"""Forecasts that a season model must beat: the mean season, last year, and two learned ones.

Each is given the counts of earlier days and draws counts for days to come:

    count ~ negative binomial(μ, k),   variance μ + μ²/k,

with μ by its own rule and the dispersion k of each group by moments of what the rule left over
on seasons that it had not seen.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[Any]

ROW_COLUMNS = ("group", "site", "season", "day", "log_effort")
DAY_SPREAD = 5.0  # standard deviation of the kernel over days
FEWEST_BIRDS_EXPECTED = 1e-3  # a day without a bird in any year is poor, not impossible
DISPERSION_RANGE = (0.05, 100.0)
FOLDS = 5
QUANTILES = (0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95)


class _Rival:
    """Shared by forecasts whose counts scatter by a negative binomial."""

    def fit(self, rows: pd.DataFrame) -> Any:
        """Learn from counts.

        Parameters
        ----------
        rows : DataFrame
            group, site, season [number], day, log_effort, count.
        """
        self.dispersion_ = {}
        left_out = self._left_out_means(rows)
        for group, place in rows.groupby("group").indices.items():
            seen = np.isfinite(left_out[place])
            count, mean = rows["count"].to_numpy()[place][seen], left_out[place][seen]
            self.dispersion_[group] = moment_dispersion(count, mean)
        self._learn(rows)
        return self

    def draw(self, rows: pd.DataFrame, draws: int, rng: np.random.Generator) -> Array:
        """Draw counts; shape (draw, row)."""
        mean = np.maximum(self.mean(rows), FEWEST_BIRDS_EXPECTED)
        k = rows["group"].map(self.dispersion_).to_numpy(dtype=float)
        drawn: Array = rng.poisson(rng.gamma(k, mean / k, size=(draws, len(rows))))
        return drawn

    def mean(self, rows: pd.DataFrame) -> Array:
        """Counts expected on the rows; shape (row,)."""
        raise NotImplementedError

    def _learn(self, rows: pd.DataFrame) -> None:
        raise NotImplementedError

    def _left_out_means(self, rows: pd.DataFrame) -> Array:
        """What a copy that has not seen the season expects of each of its rows."""
        means = np.full(len(rows), np.nan)
        season = rows["season"].to_numpy()
        for held in self._held_out(np.unique(season)):
            inside = np.isin(season, held)
            if inside.all():
                return np.full(len(rows), rows["count"].mean())
            other = type(self)()
            other._learn(rows[~inside])
            means[inside] = other.mean(rows[inside])
        return means

    def _held_out(self, seasons: Array) -> list[Array]:
        return np.array_split(seasons, min(FOLDS, len(seasons)))


class MeanSeason(_Rival):
    """The mean seasonal curve of each group at each site, all seasons alike.

    μ(day) = effort × Σ K(day − d)·count / Σ K(day − d)·effort over all earlier days d, K a normal
    kernel of five days; a site that never had the group takes all sites together.

    Examples
    --------
    >>> rows = pd.DataFrame({"group": "a", "site": "fork", "season": np.repeat([1, 2], 5),
    ...     "day": np.tile([200, 205, 210, 215, 220], 2), "log_effort": 0.0,
    ...     "count": [0, 2, 6, 2, 0, 1, 2, 6, 2, 1]})
    >>> MeanSeason().fit(rows).mean(rows.head(3)).round(1).tolist()
    [1.5, 2.6, 3.4]
    """

    def _learn(self, rows: pd.DataFrame) -> None:
        self.rows_ = rows
        self.places_ = set(
            rows.loc[rows["count"] > 0, ["group", "site"]].itertuples(index=False, name=None)
        )

    def _taught_by(self, group: str, site: str) -> pd.DataFrame:
        of_group = self.rows_[self.rows_["group"] == group]
        return of_group[of_group["site"] == site] if (group, site) in self.places_ else of_group

    def mean(self, rows: pd.DataFrame) -> Array:
        """Counts expected on the rows; shape (row,)."""
        means = np.zeros(len(rows))
        for (group, site), place in rows.groupby(["group", "site"]).indices.items():
            taught = self._taught_by(group, site)
            asked = rows.iloc[place]
            apart = asked["day"].to_numpy()[:, None] - taught["day"].to_numpy(dtype=float)
            kernel = np.exp(-0.5 * (apart / DAY_SPREAD) ** 2) + 1e-12
            effort = kernel * np.exp(taught["log_effort"].to_numpy())
            birds = kernel @ taught["count"].to_numpy(dtype=float)
            means[place] = np.exp(asked["log_effort"].to_numpy()) * birds / effort.sum(1)
        return means


class LastYear(MeanSeason):
    """The same curve from the latest season alone in which the site was worked."""

    def _taught_by(self, group: str, site: str) -> pd.DataFrame:
        taught = super()._taught_by(group, site)
        latest = taught["season"].max()
        return taught[taught["season"] == latest]

    def _held_out(self, seasons: Array) -> list[Array]:
        return [seasons[number : number + 1] for number in range(1, len(seasons))]


class LearnedCurve(_Rival):
    """A Poisson regression on splines of the day, each group with its own, and sites beside."""

    def _learn(self, rows: pd.DataFrame) -> None:
        from sklearn.compose import make_column_transformer
        from sklearn.linear_model import PoissonRegressor
        from sklearn.pipeline import make_pipeline
        from sklearn.preprocessing import OneHotEncoder, SplineTransformer

        self.regressions_ = {}
        for group, of_group in rows.groupby("group"):
            splines = SplineTransformer(n_knots=8, knots="quantile", extrapolation="constant")
            columns = make_column_transformer(
                (splines, ["day"]), (OneHotEncoder(handle_unknown="ignore"), ["site"])
            )
            regression = make_pipeline(columns, PoissonRegressor(alpha=1e-2, max_iter=500))
            effort = np.exp(of_group["log_effort"].to_numpy())
            rate = of_group["count"].to_numpy() / effort
            regression.fit(of_group, rate, poissonregressor__sample_weight=effort)
            self.regressions_[group] = regression

    def mean(self, rows: pd.DataFrame) -> Array:
        """Counts expected on the rows; shape (row,)."""
        means = np.zeros(len(rows))
        for group, place in rows.groupby("group").indices.items():
            asked = rows.iloc[place]
            rate = self.regressions_[group].predict(asked)
            means[place] = rate * np.exp(asked["log_effort"].to_numpy())
        return means


class LearnedQuantiles:
    """Gradient boosting on quantiles of the count; how deep is chosen by seasons left out."""

    depths = (2, 4)

    def fit(self, rows: pd.DataFrame) -> LearnedQuantiles:
        """Learn from counts, as `MeanSeason.fit`."""
        from sklearn.model_selection import GroupKFold, cross_val_score

        self.groups_, self.sites_ = sorted(rows["group"].unique()), sorted(rows["site"].unique())
        columns, count = self._columns(rows), rows["count"].to_numpy(dtype=float)
        seasons = rows["season"].to_numpy()
        self.depth_ = self.depths[0]
        if len(np.unique(seasons)) >= 3:
            folds = GroupKFold(3)
            scores = {
                depth: cross_val_score(
                    self._boosting(0.75, depth), columns, count, groups=seasons, cv=folds
                ).mean()
                for depth in self.depths
            }
            self.depth_ = max(scores, key=lambda depth: scores[depth])
        self.boosted_ = [self._boosting(q, self.depth_).fit(columns, count) for q in QUANTILES]
        return self

    def draw(self, rows: pd.DataFrame, draws: int, rng: np.random.Generator) -> Array:
        """Draw counts between the quantiles learned; shape (draw, row)."""
        columns = self._columns(rows)
        at = np.sort([boosted.predict(columns) for boosted in self.boosted_], axis=0)
        at = np.maximum(at, 0.0)
        share = rng.uniform(size=(draws, len(rows)))
        place = np.clip(np.searchsorted(QUANTILES, share) - 1, 0, len(QUANTILES) - 2)
        low, high = np.take_along_axis(at, place, 0), np.take_along_axis(at, place + 1, 0)
        step = (share - np.take(QUANTILES, place)) / (QUANTILES[1] - QUANTILES[0])
        drawn: Array = np.maximum(low + (high - low) * step, 0.0).round()
        return drawn

    def _boosting(self, quantile: float, depth: int) -> Any:
        from sklearn.ensemble import HistGradientBoostingRegressor

        return HistGradientBoostingRegressor(
            loss="quantile",
            quantile=quantile,
            max_iter=80,
            max_depth=depth,
            learning_rate=0.1,
            random_state=0,
        )

    def _columns(self, rows: pd.DataFrame) -> Array:
        at = rows["site"].to_numpy()[:, None] == np.array(self.sites_)
        of = rows["group"].to_numpy()[:, None] == np.array(self.groups_)
        columns: Array = np.column_stack([rows["day"], rows["log_effort"], of, at])
        return columns.astype(float)


RIVALS: dict[str, type[_Rival] | type[LearnedQuantiles]] = {
    "mean season": MeanSeason,
    "last year alone": LastYear,
    "learned curve": LearnedCurve,
    "learned quantiles": LearnedQuantiles,
}


def moment_dispersion(count: Array, mean: Array) -> float:
    """Dispersion k of a negative binomial from Σ((y − μ)² − y) = Σμ²/k.

    Examples
    --------
    >>> moment_dispersion(np.array([0.0, 4.0]), np.array([2.0, 2.0]))
    2.0
    """
    excess = ((count - mean) ** 2 - count).sum()
    if excess <= 0:
        return DISPERSION_RANGE[1]
    return float(np.clip((mean**2).sum() / excess, *DISPERSION_RANGE))
