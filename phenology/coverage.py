"""Coverage of intervals in studies whose truth is known: one table of many studies."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import kstest

NOMINAL = 0.9


def summarise(studies: pd.DataFrame) -> pd.DataFrame:
    """Coverage, bias and width by scenario and quantity, uncertainty clustered by study.

    Parameters
    ----------
    studies : DataFrame
        `STUDY_COLUMNS` and `study`.

    Returns
    -------
    DataFrame
        `coverage` is the mean over studies of the share of truths inside their interval;
        `coverage_low` and `coverage_high` lie 1.96 standard errors of that mean away;
        `uniform_p` is the chance of ranks at least as uneven as these if the model is right
        (Kolmogorov and Smirnov's test). Where studies tell `large`: `power`, the share of
        intervals that leave zero out among effects that large, and `right_sign`, the share of
        estimates on the right side among intervals that leave zero out for an effect there is.

    Examples
    --------
    >>> rows = pd.DataFrame({"scenario": "dense", "quantity": "peak_day", "truth": [200.0, 201.0],
    ...     "estimate": [200.5, 202.0], "low": [199.0, 201.5], "high": [202.0, 203.0],
    ...     "oracle_width": [3.0, 1.5], "study": [1, 2]})
    >>> summarise(rows)[["coverage", "bias", "width_ratio"]].round(2).to_numpy().tolist()
    [[0.5, 0.75, 1.0]]
    """
    rows = studies.assign(
        inside=(studies["low"] <= studies["truth"]) & (studies["truth"] <= studies["high"]),
        error=studies["estimate"] - studies["truth"],
        width=studies["high"] - studies["low"],
    )
    summaries = []
    for (scenario, quantity), alike in rows.groupby(["scenario", "quantity"], sort=True):
        by_study = alike.groupby("study")["inside"].mean()
        coverage = float(by_study.mean())
        spread = float(by_study.std(ddof=1) / np.sqrt(len(by_study))) if len(by_study) > 1 else 0.5
        binomial = np.sqrt(coverage * (1 - coverage) / len(alike))
        error = 1.96 * max(spread, float(binomial))
        summaries.append(
            {
                "scenario": scenario,
                "quantity": quantity,
                "studies": len(by_study),
                "values": len(alike),
                "coverage": coverage,
                "coverage_low": max(0.0, coverage - error),
                "coverage_high": min(1.0, coverage + error),
                "bias": float(alike["error"].mean()),
                "root_mean_square_error": float(np.sqrt((alike["error"] ** 2).mean())),
                "width": float(alike["width"].mean()),
                "width_ratio": float(alike["width"].mean() / alike["oracle_width"].mean()),
                "uniform_p": _uniform_p(alike),
            }
            | _detection(alike)
        )
    return pd.DataFrame(summaries)


def _uniform_p(rows: pd.DataFrame) -> float:
    ranks = rows["rank"].dropna() if "rank" in rows else pd.Series(dtype=float)
    return float(kstest(ranks, "uniform").pvalue) if len(ranks) else np.nan


def _detection(rows: pd.DataFrame) -> dict[str, float]:
    """Power and right signs, of studies that tell which effects are large."""
    if "large" not in rows:
        return {}
    told = (rows["low"] > 0) | (rows["high"] < 0)
    signed = rows[told & (rows["truth"] != 0)]
    right = np.sign(signed["estimate"]) == np.sign(signed["truth"])
    return {"power": float(told[rows["large"]].mean()), "right_sign": float(right.mean())}
