"""The one table of answers: every reported quantity, its interval, and what taught it."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.quantities import (
    BASES,
    ESTIMATE_KEY,
    ESTIMATE_VALUES,
    HIGH_QUANTILE,
    LOW_QUANTILE,
    QUANTITIES,
)

_NUMBERS = ("estimate", "low", "high", "share_own", "share_borrowed", "share_prior")


class Estimates:
    """Rows gathered from all models, checked as they come.

    Examples
    --------
    >>> answers = Estimates()
    >>> answers.add("peak_day", [238.0, 240.0, 243.0], birds=31, site="fork", basis="measured")
    >>> answers.refuse("stopover_days", "fewer than 20 birds were seen again", site="fork")
    >>> answers.table()[["quantity", "estimate", "basis"]].values.tolist()
    [['peak_day', 240.0, 'measured'], ['stopover_days', nan, 'refused']]
    """

    def __init__(self) -> None:
        self._rows: dict[tuple[str, ...], dict[str, Any]] = {}

    def add(
        self,
        quantity: str,
        draws: npt.ArrayLike,
        *,
        birds: int,
        basis: str,
        shares: tuple[float, float, float] | None = None,
        unit: str = "",
        note: str = "",
        **key: object,
    ) -> None:
        """Report a quantity by its draws: the median and the central 90 %.

        Parameters
        ----------
        quantity : str
            A name of `phenology.quantities.QUANTITIES`.
        draws : array-like
            Posterior draws, finite, in the quantity's unit.
        birds : int
            Birds that taught the estimate.
        basis : {"measured", "borrowed", "assumed", "extrapolated"}
        shares : tuple of three floats, optional
            Own, borrowed and prior share of learning; they sum to 1.
        unit : str, optional
            Where it differs from the vocabulary's.
        note : str, optional
            What a reader must know beside the number.
        **key
            The other key columns: definition, outcome, driver, scenario, site, season, day,
            group, role, plant.

        Raises
        ------
        ValueError
            For an unknown quantity, key or basis, a key given twice, draws that are not
            finite, or shares that do not sum to 1.
        """
        values = np.asarray(draws, dtype=float).ravel()
        if values.size == 0 or not np.isfinite(values).all():
            raise ValueError(f"draws of {quantity} are empty or not finite")
        low, middle, high = np.quantile(values, [LOW_QUANTILE, 0.5, HIGH_QUANTILE])
        self.add_interval(
            quantity,
            (float(middle), float(low), float(high)),
            birds=birds,
            basis=basis,
            shares=shares,
            unit=unit,
            note=note,
            **key,
        )

    def add_interval(
        self,
        quantity: str,
        interval: tuple[float, float, float],
        *,
        birds: int,
        basis: str,
        shares: tuple[float, float, float] | None = None,
        unit: str = "",
        note: str = "",
        **key: object,
    ) -> None:
        """Report a quantity whose estimate, low and high a model has already summed up."""
        if basis not in BASES or basis == "refused":
            raise ValueError(f"basis {basis!r} cannot carry a number")
        estimate, low, high = interval
        if not np.isfinite(interval).all() or not low <= estimate <= high:
            raise ValueError(f"{quantity}: {estimate} is not inside {low} to {high}")
        row: dict[str, Any] = {"estimate": estimate, "low": low, "high": high}
        if shares is not None:
            if not np.isclose(sum(shares), 1.0, atol=1e-6) or min(shares) < -1e-9:
                raise ValueError(f"shares of learning {shares} do not sum to 1")
            row |= dict(zip(_NUMBERS[3:], shares, strict=True))
        self._put(quantity, key, row | {"birds": birds, "basis": basis, "note": note}, unit)

    def refuse(self, quantity: str, reason: str, *, birds: int = 0, **key: object) -> None:
        """Say, in words, that a quantity cannot be told from the data."""
        self._put(quantity, key, {"birds": birds, "basis": "refused", "note": reason}, "")

    def _put(
        self, quantity: str, key: Mapping[str, object], values: dict[str, Any], unit: str
    ) -> None:
        if quantity not in QUANTITIES:
            raise ValueError(f"{quantity!r} is not in the vocabulary")
        unknown = set(key) - set(ESTIMATE_KEY)
        if unknown:
            raise ValueError(f"no such key columns: {sorted(unknown)}")
        row_key = tuple(
            quantity if column == "quantity" else str(key.get(column, ""))
            for column in ESTIMATE_KEY
        )
        if row_key in self._rows:
            raise ValueError(f"reported twice: {' | '.join(part for part in row_key if part)}")
        self._rows[row_key] = values | {"unit": unit or QUANTITIES[quantity][0]}

    def table(self) -> pd.DataFrame:
        """All rows in the columns and order of estimates.csv."""
        rows = [
            dict(zip(ESTIMATE_KEY, key, strict=True)) | values for key, values in self._rows.items()
        ]
        table = pd.DataFrame(rows, columns=[*ESTIMATE_KEY, *ESTIMATE_VALUES])
        return table.astype(dict.fromkeys(_NUMBERS, float) | {"birds": int})
