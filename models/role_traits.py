"""Traits of the role model: words and numbers as bins, and what is held of them beforehand."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]

_ABSENT = -30.0  # log frequency of bins that a trait does not have
# Days of a passage pulse: the season model's own prior of its width is log-normal about 10. No bin
# is held beforehand to be less than e⁻² times as usual among passage birds. Of four pairs tried
# (12 to 20 days, −2 and −3) this told the mixed species of the shipped example best: its Brier
# score there is no independent check.
PULSE_SD_DAYS = 12.0
LEAST_LOG_PULSE = -2.0


class TraitForm(NamedTuple):
    """How one trait is binned and what is known of it beforehand."""

    edges: Array  # inner edges of an ordered trait, else its values
    ordered: bool
    sign: int  # +1 or −1: whether larger values speak for class 0
    span: tuple[float, float] | None  # first and last day, of a trait that is a day

    @property
    def bins(self) -> int:
        """Number of bins."""
        return len(self.edges) + 1 if self.ordered else max(len(self.edges), 1)


def bin_edges(values: Array, bins: int) -> Array:
    """Inner edges of bins at the quantiles of what was seen."""
    seen = values[~np.isnan(values)]
    if not seen.size:
        return np.zeros(0)
    return np.unique(np.quantile(seen, np.linspace(0, 1, bins + 1)[1:-1]))


def categories_to_codes(table: pd.DataFrame, known: dict[int, list[Any]]) -> tuple[Any, Any]:
    """Columns of words as codes, by `known` where given; words never seen are missing."""
    numbers: dict[Any, Any] = {}
    words: dict[int, list[Any]] = {}
    for k, name in enumerate(table.columns):
        column = table[name]
        if pd.api.types.is_bool_dtype(column) or pd.api.types.is_numeric_dtype(column):
            numbers[name] = column.to_numpy(dtype=float, na_value=np.nan)
            continue
        words[k] = known.get(k, sorted(column.dropna().astype(str).unique()))
        places = {word: float(place) for place, word in enumerate(words[k])}
        numbers[name] = column.astype(object).map(
            lambda word, at=places: np.nan if pd.isna(word) else at.get(str(word), np.nan)
        ).to_numpy(dtype=float)  # fmt: skip
    return pd.DataFrame(numbers, index=table.index), words


def traits_before(codes: Codes, forms: list[TraitForm], width: int, label_error: float) -> Any:
    """Frequency of every bin and prior mean of its log ratio in each class.

    Parameters
    ----------
    codes : array of int, (n, d)
        Bin of each bird's traits, −1 where missing.
    forms : list of TraitForm
        One a trait, in the order of `codes`.
    width : int
        Bins of the widest trait.
    label_error : float

    Returns
    -------
    phenology.models.role_likelihood.Traits
    """
    from phenology.models.role_likelihood import DIRECTION, Traits

    log_frequency = np.full((len(forms), width), _ABSENT)
    smooth = np.zeros((len(forms), width - 1))
    direction = np.zeros((2, len(forms), width))
    for column, form in enumerate(forms):
        count = form.bins
        seen = np.bincount(codes[codes[:, column] >= 0, column], minlength=count) + 0.5
        own = np.log(seen / seen.sum())
        log_frequency[column, :count] = own
        smooth[column, : count - 1] = form.ordered
        slope = np.linspace(-0.5, 0.5, count) * DIRECTION * form.sign
        direction[0, column, :count], direction[1, column, :count] = slope, -slope
        if form.span is not None:
            even, pulse = _even_and_pulse(form.edges, form.span, own)
            direction[0, column, :count] += even - even.mean()
            direction[1, column, :count] += pulse - pulse.mean()
    return Traits(log_frequency, smooth, direction, np.log(label_error))


def _even_and_pulse(
    edges: Array, span: tuple[float, float], log_frequency: Array
) -> tuple[Array, Array]:
    """Log ratio to the frequency of each bin, of even presence and of a pulse at its height."""
    days = np.linspace(*span, 400)
    bins = np.searchsorted(edges, days)
    width = np.bincount(bins, minlength=len(edges) + 1) + 1e-3
    middle = np.bincount(bins, days, len(edges) + 1) / width
    peak = middle[np.argmax(np.exp(log_frequency) / width)]
    pulse = np.bincount(bins, np.exp(-0.5 * ((days - peak) / PULSE_SD_DAYS) ** 2), len(width))
    even = np.log(width / width.sum()) - log_frequency
    away = np.log(pulse / pulse.sum() + 1e-12) - log_frequency
    return even, np.maximum(away, LEAST_LOG_PULSE)
