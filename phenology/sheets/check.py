"""All checks of a study's sheets, in order."""

from __future__ import annotations

from phenology.sheets.band_numbers import find_bands_out_of_string, find_wrong_band_sizes
from phenology.sheets.bands import (
    find_differing_wings,
    find_history_conflicts,
    find_impossible_journeys,
    find_impossible_mass_changes,
    find_repeats_never_banded,
    find_rows_twice,
    settle_recaptures,
)
from phenology.sheets.doubt import Doubt, Sheets, settle
from phenology.sheets.finding import Finding
from phenology.sheets.habits import find_digit_preference, find_fat_on_lean, find_readers_apart
from phenology.sheets.implausible import find_implausible
from phenology.sheets.measured import measure_birds
from phenology.sheets.stations import find_flowering_area_small, find_time_zones
from phenology.sheets.times import (
    find_days_without_effort,
    find_long_time_in_hand,
    find_negative_sessions,
    find_negative_time_in_hand,
    find_odd_forms,
    find_outside_sessions,
    find_overlapping_sessions,
    find_unusual_times,
)

OF_ROWS = (find_rows_twice, find_overlapping_sessions)
OF_CELLS = (
    find_history_conflicts,
    find_repeats_never_banded,
    find_impossible_journeys,
    find_differing_wings,
    find_impossible_mass_changes,
    find_bands_out_of_string,
    find_wrong_band_sizes,
    find_negative_time_in_hand,
    find_long_time_in_hand,
    find_unusual_times,
    find_odd_forms,
    find_days_without_effort,
    find_negative_sessions,
    find_outside_sessions,
    find_flowering_area_small,
    find_time_zones,
)
OF_MEASUREMENTS = (find_implausible, find_fat_on_lean, find_digit_preference, find_readers_apart)


def check_sheets(sheets: Sheets) -> list[Finding]:
    """Check clean sheets against each other and against what is usual in the study.

    Parameters
    ----------
    sheets : Sheets
        Changed in place: impossible cells are blanked, rows that stand twice set aside, plain
        recaptures told apart.

    Returns
    -------
    list of Finding
    """
    findings = settle(sheets, [doubt for check in OF_ROWS for doubt in check(sheets)])
    doubts: list[Doubt] = list(settle_recaptures(sheets))
    doubts += _check_measurements(sheets)
    doubts += [doubt for check in OF_CELLS for doubt in check(sheets)]
    return findings + settle(sheets, doubts)


def _check_measurements(sheets: Sheets) -> list[Doubt]:
    """Let the scores of all measurements go before the next checks begin."""
    measured = measure_birds(sheets)
    if measured is None:
        return []
    return [doubt for check in OF_MEASUREMENTS for doubt in check(sheets, measured)]
