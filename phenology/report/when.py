"""When: season curves and dates, by site and group."""

from __future__ import annotations

import pandas as pd

from phenology.report import figures
from phenology.report.content import Figure, Section, Words, points, table
from phenology.report.panels import pages
from phenology.report.rooms import MOST_SENTENCES, shown_sites
from phenology.report.tables import SUBJECT, TIMING, is_one_season, said
from phenology.report.words import count_words, day_words, plain, span_words

MOST_GROUPS = 6  # drawn at a site; the table and tables/*.csv hold all


def when_section(tables: dict[str, pd.DataFrame], *, effort_known: bool) -> Section:
    """Season curves and dates by site, then the dates in a table and in sentences."""
    section = Section(
        "when",
        "When",
        "Days on which birds are present, by group. Dates describe presence at the site, not "
        "captures alone."
        if effort_known
        else "Without an effort sheet these are the dates of captures, not of birds: days without "
        "a capture between the first and the last count as worked in vain.",
    )
    if "curves" not in tables and "timing" not in tables:
        return section
    curves, timing = tables.get("curves"), tables.get("timing")
    if curves is not None:
        curves = curves[curves["site"].isin(shown_sites(tables))]
    sampled, seasons = tables["sampled_days"], tables["seasons_sampled"]
    for number, site in enumerate(shown_sites(tables)):
        groups = _main_groups(timing, curves, site)
        if curves is not None:
            here = curves[curves["group"].isin(groups)]
            section.add(*_curve_figures(here, sampled, site, number, effort_known))
            if effort_known and (here["curve"] == "captured").any():
                section.add(_first_captures(here, site, number))
        if timing is not None:
            here = timing[timing["group"].isin(groups)]
            section.add(*_date_figures(here, seasons, site, number))
    left = seasons["site"].nunique() - len(shown_sites(tables))
    if left > 0:
        section.add(
            Words((f"{count_words(left, 'further site')} with fewer birds: see the tables.",))
        )
    if timing is not None:
        section.add(
            table("timing", "Arrival, peak and departure", _dates_shown(timing), folded=True)
        )
        section.add(points(_dates_said(timing)))
    return section


def _main_groups(timing: pd.DataFrame | None, curves: pd.DataFrame | None, site: str) -> list[str]:
    """Groups drawn at a site: those of which most birds were caught there."""
    if timing is None:
        assert curves is not None
        return sorted(curves.loc[curves["site"] == site, "group"].unique())[:MOST_GROUPS]
    here = timing[(timing["site"] == site) & is_one_season(timing["season"])]
    birds = here.drop_duplicates(["season", "group"]).groupby("group")["birds"].sum()
    return list(birds.nlargest(MOST_GROUPS).index)


def _curve_figures(
    curves: pd.DataFrame, sampled: pd.DataFrame, site: str, number: int, effort_known: bool
) -> list[Figure]:
    """Season curves at a site, some groups a figure."""
    here = curves[(curves["site"] == site) & is_one_season(curves["season"])]
    if here.empty:
        return []
    season = max(here["season"].astype(str))
    what = "Birds present a day, at typical effort," if effort_known else "Birds caught a day"
    days = "on which someone was there to see" if effort_known else "with a capture"
    drawn = []
    for page, groups in enumerate(pages(here["group"], 143)):
        drawn.append(
            Figure(
                f"season-{number}-{page}",
                figures.draw_season_curves(here[here["group"].isin(groups)], sampled, site, season),
                f"{what} at {plain(site, 60)} in {plain(season, 20)}, by group: line with its "
                "90 % interval, earlier seasons thin behind it; each panel has its own scale, and "
                f"the ticks below it are the days {days}.",
            )
        )
    return drawn


def _first_captures(curves: pd.DataFrame, site: str, number: int) -> Figure:
    return Figure(
        f"first-captures-{number}",
        figures.draw_first_captures(curves[~is_one_season(curves["season"])], site),
        f"First captures at {plain(site, 60)}, dashed, beside birds present, both expected of "
        "traps worked every day at typical effort, all sampled seasons together: most new birds "
        "come into the hand before most birds are there.",
    )


def _date_figures(
    timing: pd.DataFrame, seasons: pd.DataFrame, site: str, number: int
) -> list[Figure]:
    """Dates year by year at a site, some groups a figure."""
    here = timing[timing["site"] == site]
    height = 35 + 16 * seasons["season"].nunique()
    return [
        Figure(
            f"dates-{number}-{page}",
            figures.draw_dates_by_year(
                here[here["group"].isin(groups)], seasons, site, figures.date_span(here)
            ),
            f"Dates by season at {plain(site, 60)}: a line from arrival to departure with the "
            "peak as a mark, hollow where other years or sites taught it, and pale bars for the "
            "90 % interval of each date; a line that begins at its mark has no arrival that can "
            "be told, and a lost season is one that nobody sampled.",
        )
        for page, groups in enumerate(pages(here["group"], height))
    ]


def _dates_shown(timing: pd.DataFrame) -> pd.DataFrame:
    latest_first = timing.sort_values(
        ["season", "site", "group", "role"], ascending=[False, True, True, True]
    )
    shown = latest_first[SUBJECT].copy()
    for quantity in TIMING:
        shown[quantity.removesuffix("_day") + " (90 %)"] = [
            f"{day_words(day, season)} ({span_words(low, high, season)})" if pd.notna(day) else "—"
            for day, low, high, season in latest_first[
                [quantity, f"{quantity}_low", f"{quantity}_high", "season"]
            ].itertuples(index=False)
        ]
    return shown.assign(birds=latest_first["birds"], basis=latest_first["basis"])


def _dates_said(timing: pd.DataFrame) -> list[str]:
    """The peaks of each site's latest season, those with most birds first."""
    yearly = timing[is_one_season(timing["season"])]
    latest = yearly[yearly["season"] == yearly.groupby("site")["season"].transform("max")]
    chosen = latest.dropna(subset=["peak_day"]).sort_values("birds", ascending=False)
    rows = (
        chosen.head(MOST_SENTENCES)
        .assign(quantity="peak_day")
        .rename(columns={"peak_day": "estimate", "peak_day_low": "low", "peak_day_high": "high"})
    )
    return said(rows)
