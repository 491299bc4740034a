"""Groups: the classes of birds modelled apart, "Genus species age sex"."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

KNOWN_SHARE = 0.5  # a part is modelled for a species only if this share of its birds carry it
NEAR_DAYS = 10  # unknown birds are allocated by the known birds caught within this many days
ENOUGH_NEAR = 10  # known birds needed near by; below it the whole study's shares are used


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
    result = captures[["species"]].rename(columns={"species": "group"}).astype({"group": str})
    result["group_allocated"] = False
    order = [part for part in ("age", "sex") if part in by]
    asked = captures[["species", "age", "sex", "date", "band"]]
    for species, birds in asked.groupby("species", sort=True):
        parts = [part for part in order if _known(birds[part]).mean() >= KNOWN_SHARE]
        filled = birds[parts].copy()
        for part in parts:
            unknown = ~_known(filled[part])
            if unknown.any():
                filled.loc[unknown, part] = _allocate(birds, filled, part, parts, rng)
                result.loc[unknown.index[unknown], "group_allocated"] = True
        result.loc[birds.index, "group"] = species + _joined(filled)
    return result


def _known(labels: pd.Series) -> pd.Series:
    return labels.notna() & (labels != "unknown")


def _joined(labels: pd.DataFrame) -> pd.Series:
    """Words of several columns row by row, a space before each."""
    words = pd.Series("", index=labels.index, dtype=str)
    for name in labels:
        words = words + " " + labels[name].fillna("unknown").astype(str)
    return words


def _allocate(
    birds: pd.DataFrame,
    filled: pd.DataFrame,
    part: str,
    parts: list[str],
    rng: np.random.Generator,
) -> pd.Series:
    """Draw the unknown labels of one part, one draw a band and year."""
    is_known = _known(filled[part])
    known, unknown = birds[is_known], birds[~is_known]
    known_label = known[part].to_numpy(dtype=str)
    known_day = known["date"].dt.day_of_year.to_numpy()
    bird = unknown["band"].fillna("unbanded " + unknown.index.astype(str).to_series(unknown.index))
    firsts = unknown.assign(bird=bird, year=unknown["date"].dt.year)
    firsts = firsts.drop_duplicates(["bird", "year"])
    others = [other for other in parts if other != part]
    other, known_other = (_joined(filled.loc[of.index, others]) for of in (firsts, known))
    drawn = pd.Series("", index=firsts.index)
    of_kind = {kind: (known_other == kind).to_numpy() for kind in other.unique()}
    for (kind, day), alike in firsts.groupby([other, firsts["date"].dt.day_of_year]):
        same = of_kind[kind]
        same = same if same.any() else np.ones(len(known), dtype=bool)
        near = same & (np.abs(known_day - day) <= NEAR_DAYS)
        pool = known_label[near if near.sum() >= ENOUGH_NEAR else same]
        drawn[alike.index] = rng.choice(pool, size=len(alike))
    which = pd.MultiIndex.from_arrays([bird, unknown["date"].dt.year])
    first = pd.MultiIndex.from_frame(firsts[["bird", "year"]])
    return pd.Series(drawn.to_numpy()[first.get_indexer(which)], index=unknown.index)
