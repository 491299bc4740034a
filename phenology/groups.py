"""Groups: the classes of birds modelled apart, "Genus species age sex"."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

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
    for species, birds in captures.groupby("species", sort=True):
        parts = [part for part in order if _known(birds[part]).mean() >= KNOWN_SHARE]
        filled = birds[parts].copy()
        for part in parts:
            unknown = ~_known(filled[part])
            if unknown.any():
                filled.loc[unknown, part] = _allocate(birds, filled, part, parts, rng)
                result.loc[unknown.index[unknown], "group_allocated"] = True
        label = [" ".join(words) for words in filled.itertuples(index=False)]
        result.loc[birds.index, "group"] = [f"{species} {words}".strip() for words in label]
    return result


def _known(labels: pd.Series) -> pd.Series:
    return labels.notna() & (labels != "unknown")


def _allocate(
    birds: pd.DataFrame,
    filled: pd.DataFrame,
    part: str,
    parts: list[str],
    rng: np.random.Generator,
) -> list[str]:
    """Draw the unknown labels of one part, one draw a band and year."""
    known = birds[_known(filled[part])]
    labels = sorted(known[part].unique())
    known_code = known[part].map({label: code for code, label in enumerate(labels)}).to_numpy()
    known_day = known["date"].dt.day_of_year.to_numpy()
    others = [other for other in parts if other != part]
    drawn: dict[tuple[object, int], str] = {}
    allocated = []
    for row in birds[~_known(filled[part])].itertuples():
        bird = (row.band, row.date.year)
        if bird in drawn and isinstance(row.band, str):
            allocated.append(drawn[bird])
            continue
        alike = np.ones(len(known), dtype=bool)
        for other in others:
            value = filled.at[row.Index, other]
            if isinstance(value, str) and value != "unknown" and (known[other] == value).any():
                alike &= (known[other] == value).to_numpy()
        near = alike & (np.abs(known_day - row.date.day_of_year) <= NEAR_DAYS)
        pool = known_code[near if near.sum() >= ENOUGH_NEAR else alike]
        label = labels[int(rng.choice(pool))]
        drawn[bird] = label
        allocated.append(label)
    return allocated
