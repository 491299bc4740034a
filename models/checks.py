"""What must hold before a model's numbers are told, as a table."""

from __future__ import annotations

from typing import NamedTuple

import pandas as pd


class Check(NamedTuple):
    """One diagnostic of a fit; `meaning` says in words what its passing shows."""

    statistic: str
    value: float
    threshold: float
    passed: bool
    meaning: str


def at_most(threshold: float, statistic: str, value: float, meaning: str) -> Check:
    """Check that a value is known and no larger than its threshold."""
    return Check(statistic, value, threshold, bool(value <= threshold), meaning)


def at_least(threshold: float, statistic: str, value: float, meaning: str) -> Check:
    """Check that a value is known and no smaller than its threshold."""
    return Check(statistic, value, threshold, bool(value >= threshold), meaning)


def table_of_checks(*checks: Check) -> pd.DataFrame:
    """Lay checks out as statistic, value, threshold, passed, meaning; a check a row.

    Examples
    --------
    >>> table_of_checks(at_most(0.05, "share denied", 0.2, "few were denied"))["passed"].item()
    False
    """
    return pd.DataFrame(checks, columns=Check._fields)
