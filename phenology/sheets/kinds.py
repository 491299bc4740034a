"""Every kind of finding, with one line that says what it means."""

from __future__ import annotations

KINDS: dict[str, str] = {
    # reading
    "file_not_read": "a file whose name tells no kind of sheet",
    "no_headings": "no row of the sheet names its columns",
    "unknown_heading": "a column whose heading is not known, and which is not read",
    "doubled_heading": "a second column with the same meaning, not read",
    "converted_unit": "a heading in another unit, whose values are converted",
    "unreadable": "a cell that is no number",
    "ambiguous": "a number whose comma may part thousands or decimals",
    "unreadable_date": "a cell that is no date",
    "ambiguous_date": "a date whose day and month can change places",
    "unreadable_time": "a cell that is no time of day",
    "outside_range": "a number outside what is physically possible",
    "outside_scale": "a fat class that the study's scale does not have",
    "unknown_code": "a code that the codebook does not know for its column",
    "unknown_label": "an age or sex that the codebook does not know; it stays as written",
    "unknown_species": "a species that is not known; the row cannot be used",
    "species_without_role": "a species that study.toml gives no role",
    "unknown_site": "a site that does not stand in the sites; the row cannot be used",
    "flowering_area_small": "a flowering area smaller than the ground of one bloom survey",
    "unknown_time_zone": "a time zone that is none; the days of its site go by longitude",
    "time_zone_far": "a time zone whose clocks run hours from the sun at the site's longitude",
    "site_twice": "a site that stands in two rows of the sites; the second is set aside",
    "correction_not_applied": "a correction whose cell is not there or whose old value differs",
    "odd_form": "a time written unlike the other times of its column",
    "lone_blank": "an empty cell where nearly every other row has a value",
    # measurements
    "implausible": "a measurement implausible for its class or beside the bird's others",
    "filler": "a run of nines where a value is expected",
    "decimal_shifted": "an implausible measurement that a shifted decimal point explains",
    "digits_swapped": "an implausible measurement that two swapped digits explain",
    "wrong_unit": "an implausible measurement that inches or ounces explain",
    "columns_swapped": "two measurements of a bird that have changed places",
    "block_shifted": "columns whose values stand a row out over several rows",
    "row_repeated": "a row whose measurements repeat the row above",
    "fat_on_lean": "heavy fat on a bird lighter than lean ones",
    "digit_preference": "readings that mostly end in .0 or .5, which widens their error",
    "reader_apart": "a bander whose readings sit apart from the others' for like birds",
    # bands
    "new_again": "a band that is new though it was caught before",
    "never_banded": "a bird caught again whose band no earlier row put on",
    "band_changes_species": "a band whose bird was of another species before",
    "band_changes_sex": "a band whose bird was of the other sex before",
    "grows_younger": "a bird that is young though it was adult, or in the hand, an earlier year",
    "out_of_string": "a band number far from every other of its prefix",
    "wrong_band_size": "a band of a size hardly ever put on that species and sex",
    "impossible_journey": "a band at two sites too far apart for the time between",
    "wing_differs": "a wing that differs from the same bird's by more than measurement error",
    "mass_change": "a change of mass beyond what physiology allows",
    "row_twice": "a row that stands twice; the second is set aside",
    # times and effort
    "negative_time_in_hand": "a bird released, or handled, before it was caught",
    "long_time_in_hand": "a bird held longer than the study's own limit",
    "unusual_time": "a capture at an hour at which the study catches no birds",
    "no_effort": "a capture on a day without a session at its site",
    "outside_session": "a capture when no session of its site was running",
    "negative_session": "a session that closes before it opens",
    "overlapping_session": "two sessions of one trap or net at the same time",
}


def kinds_page() -> str:
    """Write the reference page of kinds of findings, in Markdown.

    Examples
    --------
    >>> kinds_page().splitlines()[0]
    '# Kinds of findings'
    """
    lines = [
        "# Kinds of findings",
        "",
        "What is impossible is blanked, cell by cell; what is doubtful is kept and flagged; a note",
        "changes nothing. The sheets themselves are never changed: `corrections.csv` is the one",
        "way to put another value in a cell's place.",
        "",
        "| kind | what it means |",
        "|---|---|",
        *(f"| {kind} | {meaning} |" for kind, meaning in KINDS.items()),
    ]
    return "\n".join(lines) + "\n"
