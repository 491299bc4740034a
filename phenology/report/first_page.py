"""The first page, in words that need no training: what can be said, how sure, what to record."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from phenology.quantities import WHOLE_REGION
from phenology.report.content import Figure, Section, Words, points
from phenology.report.figures import draw_glance
from phenology.report.rooms import shown_sites, verdicts_in_short
from phenology.report.support_page import against_others, what_carried, what_would_change
from phenology.report.support_words import advice as support_advice
from phenology.report.tables import is_one_season
from phenology.report.words import (
    CLEAR_DAYS,
    VAGUE_DAYS,
    and_words,
    count_words,
    day_words,
    number_words,
    of_place,
    plain,
    span_words,
)

if TYPE_CHECKING:
    from collections.abc import Collection

    from phenology.assess.assessment import Assessment
    from phenology.study.study import Study

MOST_POINTS = 6
MOST_SITES = 4  # drawn

_BASIS_WORDS = {
    "measured": "mostly from that site and year itself",
    "borrowed": "leaning on other years or sites",
    "assumed": "resting on assumptions",
    "extrapolated": "reaching beyond anything seen",
}

# What to write down next season, by the sheet that is absent or the column that is empty.
RECORD_SHEETS = {
    "effort": "Write down when each trap or net opened and closed, every day, also on days "
    "without a bird: then dates and numbers speak of birds, not of hours worked.",
    "counts": "Count birds away from the feeders for ten minutes a day: then numbers can be told "
    "from how well a baited trap catches.",
    "bloom": "Count open flowers near the traps once a week, and say when a plant had none: then "
    "the pull of bait can be told from the number of birds.",
    "feeders": "Note which feeders hang nearby, from when until when, also the neighbours'.",
}
RECORD_COLUMNS = {
    "band": "Write the band number on every line: without it no bird can be followed.",
    "mass_g": "Weigh every bird: without it nothing can be said about fuel.",
    "fat": "Score fat on every bird: it parts what is bird from what is fuel.",
    "wing_mm": "Measure the wing: a big bird is not a fat bird.",
    "time": "Write the time of capture: birds are heavier in the evening.",
    "released": "Note the state of every bird at release, also when it is well.",
}


def first_page(assessment: Assessment, tables: dict[str, pd.DataFrame]) -> Section:
    """The manager's page."""
    section = Section("in-short", "In short")
    section.add(Words((_what_was_done(tables),)))
    timing = tables.get("timing")
    glance = _at_a_glance(timing, assessment.study.options.species)
    if len(glance):
        section.add(
            Figure(
                "glance",
                draw_glance(glance),
                "When each species is here, all seasons together: a line from arrival to "
                "departure, the mark is the day of most birds and the pale bar around it how well "
                "that day is known; a line from the very left belongs to birds already there.",
            )
        )
    when = _when_said(timing) if timing is not None else []
    if when:
        section.add(points(when, "When birds are here"))
    if "comparison" in tables:
        verdicts = verdicts_in_short(tables["comparison"], shown_sites(tables))
        section.add(points(verdicts, "How the newest season was"))
    support = {
        "Against the other sites": against_others(assessment.chances),
        "What carried it": what_carried(assessment),
        "What would change it": what_would_change(assessment.estimates),
    }
    section.add(*(points(lines, heading) for heading, lines in support.items() if lines))
    fuel = tables.get("fuel")
    species = list(assessment.study.options.species)
    fed = _fuel_said(fuel, species) if fuel is not None else []
    if fed:
        section.add(points(fed, "How well fuelled they are"))
    if not when and not fed:
        section.add(
            Words(
                ("The sheets do not yet carry an answer about dates or fuel; below is why.",),
                heading="What can be said",
            )
        )
    section.add(points(_how_sure(assessment.estimates, tables), "How sure this is"))
    advice = _to_record(assessment)
    if advice:
        section.add(points(advice, "What to record next season"))
    section.add(
        Words(
            (
                "A span in brackets is where the true value lies with nine chances in ten. Local "
                "birds breed around the site; passage birds stop on their way. This page supports, "
                "and does not replace, the judgement of licensed practitioners and managers, and "
                "it authorises no capture.",
            ),
            look="quiet",
        )
    )
    return section


def _at_a_glance(timing: pd.DataFrame | None, species: Collection[str]) -> pd.DataFrame:
    """Whole species at the sites with most birds, all seasons together."""
    if timing is None:
        return pd.DataFrame()
    whole = timing[
        ~is_one_season(timing["season"])
        & timing["group"].isin(list(species))
        & timing["peak_day"].notna()
    ]
    sites = whole.groupby("site")["birds"].sum().nlargest(MOST_SITES).index
    return whole[whole["site"].isin(sites)]


def _what_was_done(tables: dict[str, pd.DataFrame]) -> str:
    used = tables["rows"].set_index("sheet")["used"]
    seasons = tables["seasons_sampled"]
    sites = seasons.loc[seasons["days"] > 0, "site"].nunique()
    years = sorted(seasons.loc[seasons["days"] > 0, "season"].unique())
    span = years[0] if len(years) == 1 else f"{years[0]} to {years[-1]}"
    done = (
        f"{count_words(int(used['captures']), 'capture')} at {count_words(sites, 'site')} on "
        f"{count_words(int(seasons['days'].sum()), 'day')} of work, {plain(span, 60)}."
    )
    lost = seasons[seasons["days"] == 0].groupby("season")["site"].agg(list)
    said = [
        f"{plain(season, 20)} ({_places(names, seasons['site'].nunique())})"
        for season, names in lost.items()
    ]
    return done + (f" Not sampled: {', '.join(said[:6])}." if said else "")


def _places(names: list[str], of: int) -> str:
    if len(names) == of:
        return "anywhere"
    shown = ", ".join(plain(name, 40) for name in names[:3])
    return shown + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _when_said(timing: pd.DataFrame) -> list[str]:
    """For each group and role the site with most birds: all seasons together, else the newest."""
    told = timing.dropna(subset=["peak_day"]).assign(
        one=lambda rows: is_one_season(rows["season"]),
        here=lambda rows: rows["basis"] == "measured",
    )
    told = told[told["basis"].isin(["measured", "borrowed"])]
    best = told.sort_values(
        ["one", "here", "season", "birds"], ascending=[True, False, False, False]
    ).drop_duplicates(["group", "role"])
    whole = best[best["group"].str.count(" ") == 1]  # a species as a whole, its groups summed
    best = whole if len(whole) else best
    most = best.sort_values("birds", ascending=False, kind="stable").head(MOST_POINTS)
    vague = most["peak_day_high"] - most["peak_day_low"] > VAGUE_DAYS
    said = [_stay_said(row) for row in most[~vague].to_dict("records")]
    if vague.any():
        who = and_words([_who(row) for row in most[vague].to_dict("records")])
        said.append(f"{who}: the best days are not known well enough to plan by.")
    return said


def _who(row: dict) -> str:  # type: ignore[type-arg]
    role = f", {row['role']} birds," if row["role"] else ""
    return f"{plain(row['group'], 80)}{role} at {plain(row['site'], 60)}"


def _stay_said(row: dict) -> str:  # type: ignore[type-arg]
    season, low, high = row["season"], row["peak_day_low"], row["peak_day_high"]
    who = _who(row) + (f" in {plain(season, 20)}" if row["one"] else ", all seasons together")
    span = span_words(low, high, season)
    if high - low > CLEAR_DAYS:
        said = f"{who}: most birds some time in {span}"
    else:
        said = f"{who}: most birds about {day_words(row['peak_day'], season)} ({span})"
    if row["arrival_day"] == row["arrival_day"] and row["departure_day"] == row["departure_day"]:
        said += (
            f"; here from about {day_words(row['arrival_day'], season)} to "
            f"{day_words(row['departure_day'], season)}"
        )
    elif row["departure_day"] == row["departure_day"]:
        said += f"; gone by about {day_words(row['departure_day'], season)}"
    leaning = " This leans on other years or sites." if row["basis"] == "borrowed" else ""
    return f"{said}.{leaning}"


def _fuel_said(fuel: pd.DataFrame, species: list[str]) -> list[str]:
    """For each species its groups' means, over all sites and seasons or the newest one's."""
    rows = fuel.copy()
    for column in ("site", "season"):
        if column not in rows:
            rows[column] = ""
    whole = (rows["site"] == "") | rows["site"].str.startswith(WHOLE_REGION)
    pooled = whole & (rows["season"] == "")
    rows["species"] = [_species_of(group, species) for group in rows["group"]]
    there = rows.groupby(["species", "site", "season"])["birds"].transform("sum")
    best = (
        rows.assign(pooled=pooled, there=there)
        .sort_values(["pooled", "season", "there", "birds"], ascending=False)
        .drop_duplicates("group")
    )
    birds = best.groupby("species")["birds"].transform("sum")
    ordered = best.assign(of_species=birds).sort_values(
        ["of_species", "birds"], ascending=False, kind="stable"
    )
    told = ordered.groupby("species", sort=False)
    return [_load_said(name, rows) for name, rows in list(told)[:MOST_POINTS]]


def _species_of(group: str, species: list[str]) -> str:
    return max((name for name in species if group.startswith(name)), key=len, default=group)


def _load_said(species: str, groups: pd.DataFrame) -> str:
    birds = count_words(int(groups["birds"].sum()), "bird")
    first = groups.iloc[0]
    where = of_place(first["site"]) if groups["site"].nunique() == 1 else ""
    if len(groups) > 1:
        least, most = (round(100 * edge) for edge in (groups["low"].min(), groups["high"].max()))
        span = f"{max(least, 0)} to {most}"
        return (
            f"{plain(species, 80)}{where}: on average {span} % heavier than without fat, by age "
            f"and sex, from {birds}."
        )
    share, low, high = (100 * float(first[name]) for name in ("estimate", "low", "high"))
    shown = [number_words(value, low, high) for value in (share, low, high)]
    who = plain(first["group"], 80)
    if low <= 0:
        return f"{who}{where}: no more than {shown[2]} % of body weight in fuel on average."
    return (
        f"{who}{where}: on average {shown[0]} % ({shown[1]} to {shown[2]} %) heavier than without "
        f"fat, from {birds}."
    )


def _how_sure(estimates: pd.DataFrame, tables: dict[str, pd.DataFrame]) -> list[str]:
    counts = estimates["basis"].value_counts()
    told = int(counts.drop("refused", errors="ignore").sum())
    parts = [
        f"{int(counts[basis]):,} {words}"
        for basis, words in _BASIS_WORDS.items()
        if basis in counts
    ]
    lines = [f"{count_words(told, 'answer')} given: {', '.join(parts)}."] if told else []
    withheld = int(counts.get("refused", 0))
    if withheld:
        lines.append(
            f"{count_words(withheld, 'question')} could not be answered and "
            f"{'is' if withheld == 1 else 'are'} listed with the reason."
        )
    rows = tables["rows"]
    aside = int(rows["set_aside"].sum())
    doubts = int(tables["findings"]["findings"].sum()) if "findings" in tables else 0
    read = int(rows["read"].sum())
    lines.append(
        (
            f"All {read:,} rows were used; "
            if aside == 0
            else f"{count_words(aside, 'row')} of {read:,} could not be used; "
        )
        + f"{count_words(doubts, 'doubt')} about single values "
        f"{'is' if doubts == 1 else 'are'} listed for checking."
    )
    failed = tables.get("diagnostics")
    if failed is not None and not failed["passed"].astype(bool).all():
        lines.append(
            f"{count_words(int((~failed['passed'].astype(bool)).sum()), 'check')} of the "
            "calculations failed; the answers they touch are withheld."
        )
    return lines


def _to_record(assessment: Assessment) -> list[str]:
    study = assessment.study
    wanted = RECORD_SHEETS if _may_be_baited(study) else {"effort": RECORD_SHEETS["effort"]}
    advice = [said for sheet, said in wanted.items() if sheet not in study.sheets]
    captures = study.captures
    advice += [
        said
        for column, said in RECORD_COLUMNS.items()
        if column not in captures or captures[column].isna().mean() > 0.5
    ]
    effects = assessment.estimates[assessment.estimates["quantity"] == "effect"]
    return [*advice, *support_advice(effects)][:MOST_POINTS]


def _may_be_baited(study: Study) -> bool:
    """Whether anything says that feeders draw birds here."""
    if "feeders" in study.sheets:
        return True
    if study.effort is None:
        return False
    sessions = study.effort.reindex(columns=["baited", "method"])
    unbaited = sessions["baited"].eq(False) | sessions["method"].eq("net")
    return not bool(unbaited.fillna(False).all())
