"""What went into the report: rows, days sampled, doubts, readers, what taught the answers."""

from __future__ import annotations

import pandas as pd

from phenology.models.fat_readers import MOST_READINGS
from phenology.report import figures
from phenology.report.content import Block, Figure, Section, Words, table
from phenology.report.panels import pages
from phenology.report.rooms import shown_sites
from phenology.report.words import count_words, day_words

_DRAWN = (
    (
        "findings",
        figures.draw_findings,
        "The commonest doubts about the sheets, by kind: only the impossible was blanked, the "
        "doubtful was kept and flagged.",
    ),
    (
        "readers",
        figures.draw_readers,
        "How far each reader of fat and wing reads from the others for like birds, and how many "
        "wings end in 0 or 5; the line is a reader like the others, or a fifth. Who works at other "
        "sites or days meets other birds; names are in private/readers.csv. Of more than "
        f"{MOST_READINGS:,} readings of fat as many are drawn by chance and compared.",
    ),
    (
        "last_digits",
        figures.draw_last_digits,
        "How often each last digit was written down: an even hand writes each a tenth of the time "
        "(line), a rounding one prefers 0 and 5.",
    ),
    (
        "learning",
        figures.draw_learning,
        "What taught the answers at each site: own is that site and year itself, borrowed is other "
        "years and sites, assumed is what was held beforehand.",
    ),
)
_TABLES = (
    ("rows", "Rows by sheet"),
    ("seasons_sampled", "Effort by site and season; device-hours are traps times hours"),
    ("findings", "Findings by kind"),
    ("set_aside", "Rows set aside, by reason"),
    ("readers", "Readers compared, by letter"),
    ("last_digits", "Last digits written down"),
)
_FOLDED = ("seasons_sampled", "findings", "readers", "last_digits")


def data_section(tables: dict[str, pd.DataFrame]) -> Section:
    """What went in: rows, effort by day, doubts, rows set aside, what taught the answers."""
    section = Section(
        "data",
        "Data",
        "Every row read was either used or set aside; the sheets themselves are never changed. "
        "Single findings, with the values as written, are in private/findings.csv.",
    )
    if "sampled_days" in tables:
        section.add(*_effort_calendars(tables))
    for name, draw, caption in _DRAWN:
        if name in tables:
            section.add(Figure(name.replace("_", "-"), draw(tables[name]), caption))
    for name, caption in _TABLES:
        if name in tables:
            shown = _data_shown(tables[name])
            section.add(table(name, caption, shown, folded=name in _FOLDED))
    return section


def _effort_calendars(tables: dict[str, pd.DataFrame]) -> list[Block]:
    """Days sampled at the sites with most birds, some sites a figure."""
    sampled, seasons = tables["sampled_days"], tables["seasons_sampled"]
    drawn = seasons[seasons["site"].isin(shown_sites(tables))]
    caption = (
        "Every day sampled, stronger for more device-hours: gaps and lost seasons are where "
        "nothing can be seen."
        if sampled["hours"].notna().any()
        else "Every day with a capture; hours worked were not written down, so a gap may be a day "
        "without work or without birds."
    )
    blocks: list[Block] = [
        Figure(
            f"effort-{page}",
            figures.draw_effort_calendar(
                sampled[sampled["site"].isin(sites)],
                drawn[drawn["site"].isin(sites)],
                (sampled["day"].min(), sampled["day"].max()),
            ),
            caption,
        )
        for page, sites in enumerate(pages(drawn["site"], 35 + 18 * drawn["season"].nunique()))
    ]
    left = seasons["site"].nunique() - drawn["site"].nunique()
    if left:
        told = f"{count_words(left, 'further site')} with fewer birds: see the tables."
        blocks.append(Words((told,)))
    return blocks


def _data_shown(rows: pd.DataFrame) -> pd.DataFrame:
    if "kind" in rows:
        return rows.assign(kind=rows["kind"].str.replace("_", " "))
    if "first_day" not in rows:
        return rows
    dates = {
        name: [
            day_words(day, season) if pd.notna(day) else None
            for day, season in zip(rows[name], rows["season"], strict=True)
        ]
        for name in ("first_day", "last_day")
    }
    return rows.assign(**dates)
