"""All checks of a study's sheets, in order."""

from __future__ import annotations

from phenology.sheets.bands import find_new_again
from phenology.sheets.doubt import Sheets, settle
from phenology.sheets.finding import Finding
from phenology.sheets.handling import find_days_without_effort, find_negative_time_in_hand
from phenology.sheets.measured import bird_classes, find_implausible, learn_ranges


def check_sheets(sheets: Sheets) -> list[Finding]:
    """Check clean sheets against each other and against what is usual in the study.

    Parameters
    ----------
    sheets : Sheets
        Changed in place: impossible cells are blanked, rows that break a rule set aside.

    Returns
    -------
    list of Finding
    """
    classes = bird_classes(sheets)
    ranges = learn_ranges(sheets, classes)
    doubts = [
        *find_implausible(sheets, classes, ranges),
        *find_negative_time_in_hand(sheets),
        *find_days_without_effort(sheets),
        *find_new_again(sheets),
    ]
    return settle(sheets, doubts)
