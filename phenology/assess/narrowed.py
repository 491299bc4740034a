"""What absent sheets and columns cost the answers, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from phenology.study.study import Study

ABSENT_SHEET = {
    "effort": (
        "No effort sheet: dates are those of captures, not of birds, and numbers are not "
        "corrected for hours worked."
    ),
    "counts": (
        "No counts without bait: numbers of birds cannot be told from how readily a baited trap "
        "catches them."
    ),
    "bloom": (
        "No bloom surveys: captures at baited traps are not corrected for natural bloom, and no "
        "effect of bloom can be told."
    ),
    "feeders": "No feeders sheet: no effect of feeders can be told.",
    "weather": "No weather: the monsoon and other drivers of timing are left out.",
    "habitat": "No habitat layer: sites are not compared by habitat.",
}
ABSENT_COLUMN = {
    "mass_g": "No mass was taken: lean mass, fuel and range cannot be told.",
    "wing_mm": "No wing was measured: lean mass is that of the group, not of the bird's size.",
    "fat": "No fat class was taken: mass cannot be parted into lean and fuel.",
    "time": "No capture times: fuel is not corrected for the hour of day.",
    "crop": "No crop filling was noted: a full crop counts as fuel.",
    "gravid": "Gravid females were not marked: an egg may count as fuel.",
    "band": "No band numbers: stays, survival and returns cannot be told.",
    "release_time": "No release times: time in hand cannot be told.",
}


def narrowed_answers(study: Study) -> tuple[str, ...]:
    """One sentence for each absent sheet or empty column of the captures.

    Parameters
    ----------
    study : Study

    Returns
    -------
    tuple of str
    """
    present = {*study.sheets, *study.layers}
    sheets = [told for sheet, told in ABSENT_SHEET.items() if sheet not in present]
    columns = [
        told for column, told in ABSENT_COLUMN.items() if study.captures[column].isna().all()
    ]
    return (*sheets, *columns)
