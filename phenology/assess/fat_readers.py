"""Readers of fat compared: by name for the study's own eyes, by letter to share."""

from __future__ import annotations

from string import ascii_uppercase
from typing import TYPE_CHECKING

import pandas as pd

from phenology.assess.condition import bird_table
from phenology.models.refusal import Refused

if TYPE_CHECKING:
    from phenology.study.study import Study


def fat_readers(study: Study, groups: pd.Series[str]) -> pd.DataFrame:
    """How many fat classes each bander reads above or below the others, for like birds.

    Returns
    -------
    DataFrame
        reader, letter, birds, estimate, low, high; empty where they cannot be compared.
    """
    from phenology.models.fat_readers import compare_fat_readers

    birds = bird_table(study, groups).assign(group=groups, reader=study.captures["bander"])
    try:
        table = compare_fat_readers(birds)
    except Refused:
        return pd.DataFrame(columns=["reader", "letter", "birds", "estimate", "low", "high"])
    letters = [f"reader {ascii_uppercase[place % 26] * (place // 26 + 1)}" for place in table.index]
    table.insert(1, "letter", letters)
    return table
