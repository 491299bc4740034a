"""Groups: the classes of birds modelled apart, "Genus species age sex"."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

KNOWN_SHARE = 0.5  # a part is modelled for a species only if this share of its birds carry it
NEAR_DAYS = 10  # unknown birds are allocated by the known birds caught within this many days
ENOUGH_NEAR = 10  # known birds needed near by; below it the whole study's shares are used
_YEAR = 365  # days; the time of year goes round

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[Any]


def assign_groups(captures: pd.DataFrame, by: Sequence[str], seed: int) -> pd.DataFrame:
    """Give every capture its group; allocate unknown age or sex, never drop it.

    An unknown part is drawn from the shares of the known birds of the same species (and the
    same other part, where that is known) caught within ten days of the same time of year, at
    any site. All captures of one band in one year get the same draw.

    Parameters
    ----------
    captures : DataFrame
        Clean captures, with species, age, sex, date and band.
    by : sequence of {"age", "sex"}
        The parts modelled apart.
    seed : int
        Seeds the allocation.

    Returns
    -------
    DataFrame
        Index as `captures`: `group` and `group_allocated` (whether a part was drawn).

    Notes
    -----
    Allocation assumes that unknown birds are like the known ones of the same days. Do not
    believe group numbers where most birds of a class cannot be told in the hand.

    Examples
    --------
    >>> import pandas as pd
    >>> birds = pd.DataFrame({
    ...     "species": ["Selasphorus rufus"] * 2, "age": ["adult", "young"],
    ...     "sex": ["male", "unknown"], "band": ["TEST-1", "TEST-2"],
    ...     "date": pd.to_datetime(["2031-07-20", "2031-08-20"]),
    ... })
    >>> assign_groups(birds, ["age"], seed=1)["group"].tolist()
    ['Selasphorus rufus adult', 'Selasphorus rufus young']
    """
    rng = np.random.default_rng(seed)
    order = [part for part in ("age", "sex") if part in by]
    asked = captures[["date", "band"]].assign(
        **{part: captures[part].fillna("unknown").astype("category") for part in order}
    )
    group = np.zeros(len(captures), np.int64)
    allocated = np.zeros(len(captures), bool)
    names: list[str] = []
    species_rows = asked.groupby(captures["species"].to_numpy()).indices
    for species, rows in sorted(species_rows.items()):
        birds = asked.iloc[rows]
        parts = [part for part in order if _known(birds[part]).mean() >= KNOWN_SHARE]
        filled = birds[parts].copy()
        for part in parts:
            known = _known(filled[part])
            if not known.all():
                filled[part] = _allocate(birds, filled, part, known, rng)
                allocated[rows[~known]] = True
        words = _joined(filled)
        group[rows] = words.codes.astype(np.int64) + len(names)
        names += [species + word for word in words.categories]
    labels = pd.array(names, dtype="str").take(group)
    return pd.DataFrame({"group": labels, "group_allocated": allocated}, index=captures.index)


def _known(labels: pd.Series) -> BoolArray:
    known: BoolArray = (labels != "unknown").to_numpy(bool)
    return known


def _joined(labels: pd.DataFrame) -> pd.Categorical:
    """Words of several columns row by row, a space before each."""
    words = pd.Categorical.from_codes(np.zeros(len(labels), np.int8), [""])
    for name in labels:
        here = labels[name].cat
        together = [f"{before} {word}" for before in words.categories for word in here.categories]
        codes = words.codes.astype(np.intp) * len(here.categories) + here.codes.to_numpy()
        words = pd.Categorical.from_codes(codes, together)
    return words


def _allocate(
    birds: pd.DataFrame,
    filled: pd.DataFrame,
    part: str,
    known: BoolArray,
    rng: np.random.Generator,
) -> pd.Categorical:
    """Draw the unknown labels of one part, one draw a band and year."""
    labels = filled[part].cat.codes.to_numpy().copy()
    others = _joined(filled.drop(columns=part)).codes
    day = birds["date"].dt.day_of_year.to_numpy()
    bird = _birds_of_years(birds[~known])
    first = np.flatnonzero(~known)[~pd.Series(bird).duplicated().to_numpy()]
    drawn = np.zeros(len(first), labels.dtype)
    pools: dict[int, _KnownByDay] = {}
    for (other, today), alike in (
        pd.RangeIndex(len(first)).to_series().groupby([others[first], day[first]])
    ):
        if other not in pools:
            same = known & (others == other)
            same = same if same.any() else known
            pools[other] = _KnownByDay(labels[same], day[same])
        drawn[alike] = rng.choice(pools[other].near(today), size=len(alike))
    labels[~known] = drawn[bird]
    return pd.Categorical.from_codes(labels, dtype=filled[part].dtype)


def _birds_of_years(birds: pd.DataFrame) -> IntArray:
    """Number the birds of each year as they appear; one without a band is a bird of its own."""
    band = pd.factorize(birds["band"])[0]
    band = np.where(band < 0, -1 - np.arange(len(band)), band)
    numbers: IntArray = pd.factorize(band * 10_000 + birds["date"].dt.year.to_numpy())[0]
    return numbers


class _KnownByDay:
    """Labels of known birds, found by the day of the year on which they were caught."""

    def __init__(self, labels: IntArray, day: IntArray) -> None:
        self.labels, self.order = labels, np.argsort(day, kind="stable")
        self.days = day[self.order]

    def near(self, today: int) -> IntArray:
        """Labels of the birds caught near a day; of all where those are too few."""
        spans = [today + year - NEAR_DAYS for year in (-_YEAR, 0, _YEAR)]
        pieces = [
            self.order[slice(*np.searchsorted(self.days, (span, span + 2 * NEAR_DAYS + 1)))]
            for span in spans
        ]
        near = np.sort(np.concatenate(pieces))
        return self.labels[near] if len(near) >= ENOUGH_NEAR else self.labels
