"""Banders compared as readers of fat and wing: by name for the study's own eyes, else by letter."""

from __future__ import annotations

from contextlib import suppress
from string import ascii_uppercase
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenology.assess.condition import bird_table
from phenology.models.last_digits import last_digits, share_rounded
from phenology.models.refusal import Refused

if TYPE_CHECKING:
    from phenology.study.study import Study

FAT, WING, ROUNDED = "fat, classes apart", "wing, % apart", "wings ending in 0 or 5, %"
DIGITS_OF = {"mass_g": "mass", "wing_mm": "wing", "bill_mm": "bill", "tail_mm": "tail"}
FEWEST_READINGS = 20  # of a bander, to be told apart
USUAL = {FAT: 0.0, WING: 0.0, ROUNDED: 20.0}  # of a reader like the others, of an even hand
COLUMNS = ["reader", "letter", "measure", "birds", "estimate", "low", "high", "usual"]


def readers_compared(study: Study, groups: pd.Series[str]) -> pd.DataFrame:
    """How far each bander reads fat and wing from the others for like birds, and rounds wings.

    Returns
    -------
    DataFrame
        reader, letter, measure (of `USUAL`), birds, estimate, low, high, usual; a measure that
        cannot be compared has no row. Letters go by the number of captures.
    """
    from phenology.models.fat_readers import compare_fat_readers
    from phenology.models.measurement import observer_differences

    bander = study.captures["bander"]
    number = bander.value_counts()
    known = number.index[number >= FEWEST_READINGS]
    letters = {
        name: f"reader {ascii_uppercase[at % 26] * (at // 26 + 1)}" for at, name in enumerate(known)
    }
    wing = study.captures["wing_mm"].where(bander.isin(known))
    log_wing = np.log(wing.astype(float))
    parts = []
    with suppress(Refused):
        birds = bird_table(study, groups).assign(group=groups, reader=bander)
        parts.append(compare_fat_readers(birds).assign(measure=FAT))
    with suppress(Refused):
        if wing.isna().all():
            raise Refused("no wing was read by a bander with readings enough")
        apart = observer_differences(log_wing - log_wing.groupby(groups).transform("mean"), bander)
        apart[["estimate", "low", "high"]] *= 100
        apart = apart.rename(columns={"observer": "reader", "readings": "birds"})
        parts.append(apart.assign(measure=WING))
    for reader, read in wing.dropna().groupby(bander):
        with suppress(Refused):
            share = dict(zip(("estimate", "low", "high"), share_rounded(read), strict=True))
            told = {name: [100 * value] for name, value in share.items()}
            parts.append(pd.DataFrame(told).assign(reader=reader, birds=len(read), measure=ROUNDED))
    if not parts:
        return pd.DataFrame(columns=COLUMNS)
    table = pd.concat(parts, ignore_index=True)
    table["letter"] = table["reader"].map(letters)
    table["usual"] = table["measure"].map(USUAL)
    order = table["measure"].map(list(USUAL).index)
    table = table.assign(order=order).sort_values(["order", "letter"], ignore_index=True)
    return table[COLUMNS]


def digits_written(study: Study) -> pd.DataFrame:
    """How often each last digit was written down, by measure; masses of the commonest balance.

    Returns
    -------
    DataFrame
        measure, digit, readings, share, low, high; a measure with too few readings has no row.
    """
    captures, parts = study.captures, []
    for column, measure in DIGITS_OF.items():
        readings = captures[column]
        if column == "mass_g":  # sites weigh by steps of their own
            site = captures.loc[readings.notna(), "site"].value_counts()
            readings = readings[captures["site"] == site.index[0]] if len(site) else readings
        with suppress(Refused):
            parts.append(last_digits(readings.astype(float)).assign(measure=measure))
    columns = ["measure", "digit", "readings", "share", "low", "high"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
