"""Traits of the role model: words and numbers as bins, and what is held of them beforehand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]
Effort = dict[str, tuple[Array, Array]]  # by place: days and hours of sampling

_ABSENT = -30.0  # log frequency of bins that a trait does not have
# Days of a passage pulse: the season model's own prior of its width is log-normal about 10. No bin
# is held beforehand to be less than e⁻² times as usual among passage birds.
PULSE_SD_DAYS = 12.0
LEAST_LOG_PULSE = -2.0
FALL_OF_FIRST_CAPTURES = 1.5  # of locals, as a logarithm over a whole season of sampling
SHARES_TRIED = (0.1, 0.3, 0.5, 0.7, 0.9)  # of locals, in the search for a group's passage
_LEAST_SHARE = 1e-3  # of effort in a bin, where a place was not worked but a bird was told from


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

    def place(self, values: Array) -> Codes:
        """Bin of each value; −1 where missing."""
        codes = np.searchsorted(self.edges, values, side="right" if self.ordered else "left")
        codes[np.isnan(values) if self.ordered else ~np.isin(values, self.edges)] = -1
        return np.asarray(codes, dtype=int)


@dataclass(frozen=True)
class TraitBins:
    """Bins of every trait, those told by group first.

    Attributes
    ----------
    order : list of int
        Column of X of each trait.
    forms : list of TraitForm
        In the same order.
    told : int
        Traits told by group.
    """

    order: list[int]
    forms: list[TraitForm]
    told: int

    @classmethod
    def learn(
        cls,
        values: Array,
        names: list[Any],
        unordered: set[int],
        *,
        bins: int,
        by_group: tuple[str | int, ...],
        dates: tuple[str | int, ...],
        signs: dict[str | int, int],
    ) -> TraitBins:
        """Bin each column at the quantiles of what was seen in it, or by its values."""
        told = [place for place in (_place(name, names) for name in by_group) if place >= 0]
        order = [*told, *(k for k in range(len(names)) if k not in told)]
        sign = {_place(name, names): of for name, of in signs.items()}
        days = {_place(name, names) for name in dates}
        forms = []
        for k in order:
            seen = values[~np.isnan(values[:, k]), k]
            ordered = k not in unordered
            edges = bin_edges(values[:, k], bins) if ordered else np.unique(seen)
            span = (float(seen.min()), float(seen.max())) if k in days and seen.size else None
            forms.append(TraitForm(edges, ordered, sign.get(k, 0), span))
        return cls(order, forms, len(told))

    @property
    def width(self) -> int:
        """Bins of the widest trait."""
        return max(*(form.bins for form in self.forms), 2)

    def codes(self, values: Array) -> Codes:
        """Bin of every trait of every bird, (n, d); −1 where missing."""
        columns = [form.place(values[:, k]) for k, form in zip(self.order, self.forms, strict=True)]
        return np.stack(columns, axis=1)


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


class Placed(NamedTuple):
    """Where and in which group birds were caught, and when each place was worked."""

    group: Codes  # (n,)
    groups: int
    place: Codes  # (n,)
    places: tuple[str, ...]
    effort: Effort  # a place without is taken as worked evenly


def traits_before(values: Array, bins: TraitBins, placed: Placed, label_error: float) -> Any:
    """Frequency of every bin at every place and prior mean of its log ratio in each class.

    A bird's day is where sampling and presence meet: the frequency of a day is that of sampling,
    so that a place worked in May and one worked in August do not tell different birds.

    Parameters
    ----------
    values : array, (n, d)
        Traits of each bird, in the columns of X.
    bins : TraitBins
    placed : Placed
    label_error : float

    Returns
    -------
    phenology.models.role_likelihood.Traits
    """
    from phenology.models.role_likelihood import DIRECTION, Traits

    codes = bins.codes(values)
    count, width, places = len(bins.forms), bins.width, placed.places
    frequency = np.full((len(places) + 1, count, width), _ABSENT)
    smooth = np.zeros((count, width - 1))
    direction = np.zeros((2, count, width))
    by_group = np.zeros((2, bins.told, placed.groups, width))
    for column, form in enumerate(bins.forms):
        own = form.bins
        seen = np.bincount(codes[codes[:, column] >= 0, column], minlength=own) + 0.5
        smooth[column, : own - 1] = form.ordered
        slope = np.linspace(-0.5, 0.5, own) * DIRECTION * form.sign
        direction[0, column, :own], direction[1, column, :own] = slope, -slope
        if form.span is None:
            frequency[:, column, :own] = np.log(seen / seen.sum())
            continue
        days = np.arange(np.floor(form.span[0]), np.ceil(form.span[1]) + 1)
        worked = np.array([_worked(days, placed.effort.get(place)) for place in (*places, "")])
        if placed.effort:
            worked[-1] = worked[:-1].mean(axis=0)
        bin_of = form.place(days)
        size = np.bincount(bin_of, minlength=own) + 1e-9

        def binned(daily: Array, bin_of: Codes = bin_of, own: int = own) -> Array:
            return np.asarray(np.bincount(bin_of, daily, minlength=own))

        frequency[:, column, :own] = np.log([binned(share) + _LEAST_SHARE for share in worked])
        day = values[:, bins.order[column]]
        known = ~np.isnan(day)
        groups = placed.group if column < bins.told else np.zeros(len(day), dtype=int)
        for group in range(placed.groups if column < bins.told else 1):
            birds = known & (groups == group)
            peak = _peak(day[birds], placed.place[birds], days, worked)
            pulse = binned(_pulse(days, peak)) / size
            log_ratio = np.maximum(np.log(pulse / pulse.mean() + 1e-12), LEAST_LOG_PULSE)
            if column < bins.told:
                by_group[1, column, group, :own] = log_ratio - log_ratio.mean()
            else:
                direction[1, column, :own] += log_ratio - log_ratio.mean()
    return Traits(frequency, smooth, direction, by_group, np.log(label_error))


def _worked(days: Array, sampling: tuple[Array, Array] | None) -> Array:
    """Share of a place's sampling on each day."""
    if sampling is None:
        return np.full(days.size, 1 / days.size)
    at = (sampling[0] - days[0]).astype(int)
    inside = (at >= 0) & (at < days.size)
    hours = np.bincount(at[inside], sampling[1][inside], days.size) + 1e-9
    return np.asarray(hours / hours.sum())


def _pulse(days: Array, peak: float) -> Array:
    return np.asarray(np.exp(-0.5 * ((days - peak) / PULSE_SD_DAYS) ** 2))


def _peak(day: Array, place: Codes, days: Array, worked: Array) -> float:
    """Day of passage that, with birds that live there, best explains when birds were caught.

    Birds that live there are first caught early: their first captures fall as sampling goes on.
    """
    at = np.clip(np.round(day - days[0]).astype(int), 0, days.size - 1)
    local = worked * np.exp(-FALL_OF_FIRST_CAPTURES * np.cumsum(worked, axis=1))
    local = (local / local.sum(axis=1, keepdims=True))[place, at]
    best, height = float(days.mean()), -np.inf
    for peak in days[::3]:
        passing = worked * (_pulse(days, peak) + 1e-9)
        passing = (passing / passing.sum(axis=1, keepdims=True))[place, at]
        for share in SHARES_TRIED:
            tried = float(np.log(share * local + (1 - share) * passing + 1e-12).sum())
            if tried > height:
                best, height = float(peak), tried
    return best


def _place(name: str | int, names: list[Any]) -> int:
    """Where a trait stands; −1 where X has no such column."""
    return names.index(name) if name in names else -1
