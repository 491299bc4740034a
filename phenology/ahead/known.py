"""A study as it was known on a day: nothing later is in it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from phenology.study.study import Study

SPANS = ("from", "until")


def known_on(study: Study, issued: pd.Timestamp) -> Study:
    """The study with only what had been written down by the end of that day.

    Rows dated later are gone; a span that began by then and ended later runs to the end of that
    year, as nobody knew its end. A sheet without dates, such as the sites, stays.

    Parameters
    ----------
    study : Study
    issued : Timestamp
    """
    return replace(
        study, sheets={kind: _cut(sheet, issued) for kind, sheet in study.sheets.items()}
    )


def _cut(sheet: pd.DataFrame, issued: pd.Timestamp) -> pd.DataFrame:
    if "date" in sheet:
        return sheet[sheet["date"].isna() | (sheet["date"].dt.normalize() <= issued)]
    if set(SPANS) <= set(sheet.columns):
        begun = sheet[sheet["from"].isna() | (sheet["from"] <= issued)]
        year_end = pd.Timestamp(issued.year, 12, 31)
        return begun.assign(until=begun["until"].where(begun["until"] <= issued, year_end))
    return sheet


def last_day_written(study: Study) -> pd.Timestamp:
    """The last day on which the study caught a bird or opened a trap."""
    dated = [study.captures["date"]]
    if study.effort is not None:
        dated.append(study.effort["date"])
    return pd.Timestamp(pd.concat(dated).max()).normalize()
