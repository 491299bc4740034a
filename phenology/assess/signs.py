"""Signs of breeding and moult on captured birds: who breeds, who is done, who moults.

What a sheet leaves empty was not recorded: it is neither a sign nor its absence.
"""

from __future__ import annotations

import pandas as pd

NOTHING = {"no", "n", "none", "0", "absent", "nil"}
# A brood patch that grows over, or a bird said to be done: common practice in field notes.
DONE = r"\b(?:post|past|after|over\b|finished|regress|refeather)"


def noted(column: pd.Series) -> pd.Series[float]:
    """1 where a sign is written, 0 where the sheet says there was none, missing where empty.

    Examples
    --------
    >>> noted(pd.Series(["brood patch", "None", None])).tolist()
    [1.0, 0.0, nan]
    """
    words = _words(column)
    return (~words.isin(NOTHING)).astype(float).where(words.notna())


def breeds(table: pd.DataFrame) -> pd.Series[float]:
    """1 for a bird in breeding condition or with an egg, 0 for one seen not to be, else missing.

    Examples
    --------
    >>> breeds(pd.DataFrame({"breeding": ["BP 3", "post-breeding", "no", None, None],
    ...                      "gravid": [None, None, None, True, False]})).tolist()
    [1.0, 0.0, 0.0, 1.0, nan]
    """
    signs = noted(table["breeding"]).mask(_done(table), 0.0)
    return signs.mask(table["gravid"].fillna(False).astype(bool), 1.0)


def moults(table: pd.DataFrame) -> pd.Series[float]:
    """1 for a bird with moult of body or flight feathers, 0 for none, missing where not noted."""
    parts = [noted(table[column]) for column in ("body_moult", "flight_moult")]
    return pd.concat(parts, axis=1).max(axis=1)


def after_breeding(table: pd.DataFrame) -> pd.Series[bool]:
    """Whether breeding is over for each bird, by its own signs or by the day.

    A bird without a sign of breeding is done where the sheet says so in words; an adult of which
    it says "no", once half of its species' signs at the site, of all seasons, have passed (a
    bird without signs may not have begun before); any bird after the last of them.

    Parameters
    ----------
    table : DataFrame
        site, species, day (of the season's year), age, breeding, gravid.

    Notes
    -----
    Where no bird of the species showed a sign at the site nothing but words tells, and the last
    sign seen comes before the last there was: a site visited seldom takes its breeding to be over
    too early.
    """
    state = breeds(table)
    signs = table["day"].where(state == 1).groupby([table["site"].astype(str), table["species"]])
    seen_done = table["age"].eq("adult") & (state == 0)
    over = (seen_done & (table["day"] > signs.transform("median"))) | (
        table["day"] > signs.transform("max")
    )
    return ((state != 1) & (over | _done(table))).astype(bool)


def _done(table: pd.DataFrame) -> pd.Series[bool]:
    return _words(table["breeding"]).str.contains(DONE).fillna(False).astype(bool)


def _words(column: pd.Series) -> pd.Series[str]:
    return column.astype("string").str.strip().str.lower()
