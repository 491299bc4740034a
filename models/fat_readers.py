"""How far apart readers of fat read: fat class at equal mass, size, group and hour."""

from __future__ import annotations

import numpy as np
import pandas as pd

from phenology.models.mixed_effects import fit_mixed_effects
from phenology.models.mixed_effects_rows import RandomEffect
from phenology.models.refusal import Refused
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

FEWEST_READINGS = 20  # of a reader, to be told apart
FEWEST_READERS = 2
MOST_READINGS = 200_000  # of all readers, drawn evenly where there are more


def compare_fat_readers(birds: pd.DataFrame, *, draws: int = 400, seed: int = 1) -> pd.DataFrame:
    r"""How many classes each reader reads above or below the others for like birds.

    .. math:: class = a_{group} + b_1 \log m + b_2 \log wing + b_3 hour + r_{reader} + e,
              \quad r \sim N(0, \tau^2)

    Parameters
    ----------
    birds : DataFrame
        fat_class (0 the leanest, below 0: not taken), mass_g, wing_mm, hours_since_sunrise, group,
        reader; missing where not known.
    draws, seed : int

    Returns
    -------
    DataFrame
        reader, birds, estimate, low, high [classes], most birds first; against the mean reader.
        Of more than 200,000 readings that many are compared, as many of each reader as can be.

    Raises
    ------
    Refused
        With fewer than two readers of twenty readings each.

    Notes
    -----
    Readers are drawn to each other by how little each is known. Not to be believed where one
    reader alone saw a group or a part of the season: what is peculiar to those birds is then read
    as the reader's. Classes count as steps of one size.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> fuel = rng.uniform(0, 0.4, 400)
    >>> reader = np.where(np.arange(400) % 2, "A", "B")
    >>> birds = pd.DataFrame({"mass_g": 3 * (1 + fuel), "wing_mm": 42.0, "group": "a",
    ...     "hours_since_sunrise": 2.0, "reader": reader,
    ...     "fat_class": np.round(10 * fuel + (reader == "A")).astype(int)})
    >>> told = compare_fat_readers(birds).set_index("reader")["estimate"]
    >>> round(float(told["A"] - told["B"]), 1)
    1.0
    """
    read = birds[(birds["fat_class"] >= 0) & birds["mass_g"].gt(0) & birds["reader"].notna()]
    number = read["reader"].value_counts()
    told = number.index[number >= FEWEST_READINGS]
    if len(told) < FEWEST_READERS:
        raise Refused(
            f"{len(told)} reader{'s' * (len(told) != 1)} of fat with {FEWEST_READINGS} readings of "
            f"weighed birds; {FEWEST_READERS} are needed to compare"
        )
    read = read[read["reader"].isin(told)]
    if len(read) > MOST_READINGS:
        shuffled = read.sample(frac=1, random_state=seed)
        of_each = max(MOST_READINGS // len(told), FEWEST_READINGS)
        read = shuffled[shuffled.groupby("reader").cumcount() < of_each]
        number = read["reader"].value_counts()
    group, groups = pd.factorize(read["group"])
    reader, readers = pd.factorize(read["reader"])
    measures = pd.DataFrame(
        {
            "log_mass": np.log(read["mass_g"]),
            "log_wing": np.log(read["wing_mm"]),
            "hour": read["hours_since_sunrise"],
        }
    )
    within = (measures - measures.groupby(group).transform("mean")).fillna(0.0)
    fit = fit_mixed_effects(
        read["fat_class"].to_numpy(dtype=float),
        np.column_stack([np.ones(len(read)), within.loc[:, within.std() > 0]]),
        [RandomEffect("group", group, len(groups)), RandomEffect("reader", reader, len(readers))],
        names=["level", *within.columns[within.std() > 0]],
        draws=draws,
        seed=seed,
    )
    apart = fit["reader"].to_numpy()
    apart = apart - apart.mean(axis=1, keepdims=True)
    low, middle, high = np.quantile(apart, [LOW_QUANTILE, 0.5, HIGH_QUANTILE], axis=0)
    table = pd.DataFrame({"reader": readers, "birds": number[readers].to_numpy(),
                          "estimate": middle, "low": low, "high": high})  # fmt: skip
    return table.sort_values("birds", ascending=False, kind="stable", ignore_index=True)
