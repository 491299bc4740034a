"""Sites side by side: points on each outcome, ranks with their doubt, chances in words."""

from __future__ import annotations

import pandas as pd

from phenology.report.comparison_map import draw_comparison_map
from phenology.report.content import Drawing, Figure, Section, points, table
from phenology.report.figures import draw_intervals
from phenology.report.support_measures import DESCRIPTIONS, measure_of
from phenology.report.support_words import comparison_sentence
from phenology.report.words import count_words, number_words

NUMBERS_UNRANKED = (
    "Numbers of birds are not compared: captures tell how many were caught, and only counts "
    "without bait could rank sites by them."
)
LIKELY = 0.8  # chance from which a pair is named
PLACES = ["outcome", "role", "site"]


def comparison_table(levels: pd.DataFrame, chances: pd.DataFrame) -> pd.DataFrame:
    """One row an outcome, role and site: level, rank with its 90 % interval, birds, seasons.

    Parameters
    ----------
    levels, chances : DataFrame
        Of `compare_studies`.
    """
    ranks = chances.drop_duplicates(PLACES).set_index(PLACES)[["rank", "rank_low", "rank_high"]]
    rows = []
    for row in levels.to_dict("records"):
        measure = measure_of(row["outcome"])
        value, low, high = (measure.times * row[name] for name in ("estimate", "low", "high"))
        shown = [number_words(number, low, high) for number in (value, low, high)]
        place = tuple(row[name] for name in PLACES)
        rank = ranks.loc[place] if place in ranks.index else None
        rows.append(
            {
                "outcome": measure.name,
                "unit": measure.unit,
                "role": row["role"],
                "site": row["site"],
                "level": f"{shown[0]} ({shown[1]} to {shown[2]})",
                "rank": "" if rank is None else _rank_words(rank),
                "birds": row["birds"],
                "seasons": row["seasons"],
            }
        )
    return pd.DataFrame(rows)


def _rank_words(rank: pd.Series) -> str:
    low, middle, high = (int(rank[name]) for name in ("rank_low", "rank", "rank_high"))
    return f"{middle}" if low == high else f"{middle} ({low} to {high})"


def comparison_sentences(chances: pd.DataFrame) -> list[str]:
    """Which pairs of sites can be told apart, the surest first; then how many cannot."""
    said = []
    judged = chances[~chances["outcome"].isin(DESCRIPTIONS)]
    for _, pairs in judged[judged["chance_of_more"] >= LIKELY].groupby(
        ["outcome", "role"], sort=False
    ):
        said += [
            comparison_sentence(
                row["outcome"],
                row["role"],
                row["site"],
                row["other"],
                row["chance_of_more"],
                (row["birds"], row["other_birds"]),
            )
            for row in pairs.sort_values("chance_of_more", ascending=False).to_dict("records")
        ]
    alike = len(judged) // 2 - len(said)  # each pair stands twice
    if alike:
        pairs = count_words(alike, "further pair")
        said.append(f"{pairs} of sites cannot be told apart on an outcome.")
    described = [why for name, why in DESCRIPTIONS.items() if name in set(chances["outcome"])]
    said += [f"{why}: described, not judged." for why in described]
    return [*said, NUMBERS_UNRANKED]


def comparison_maps(levels: pd.DataFrame, sites: pd.DataFrame) -> list[Drawing]:
    """A map for each role of the first outcome that has a sign and several sites."""
    placed = levels[levels["site"].isin(sites["site"]) & levels["chance_above"].notna()]
    judged = placed[~placed["outcome"].isin(DESCRIPTIONS)]
    if judged.empty:
        return []
    outcome = judged["outcome"].iloc[0]
    name = measure_of(outcome).name
    return [
        Drawing(
            f"compared-{role}",
            draw_comparison_map(rows, sites),
            f"Where {name} of {role} birds is likely above that of the other sites. The middle "
            "shade means that a site cannot be told from them. Outlines: Natural Earth.",
        )
        for role, rows in judged[judged["outcome"] == outcome].groupby("role", sort=False)
    ]


def comparison_section(
    levels: pd.DataFrame, chances: pd.DataFrame, reasons: list[str], sites: pd.DataFrame
) -> Section:
    """Maps, figures, table and sentences of sites side by side, for a page."""
    section = Section(
        "comparison",
        "Sites side by side",
        "Every site at the same days, groups and bait of its study, each drawn to the others by "
        "how little it is known. A site with few birds keeps a wide interval and does not win.",
    )
    section.add(*comparison_maps(levels, sites))
    for outcome, rows in levels.groupby("outcome", sort=False):
        measure = measure_of(outcome)
        shown = rows.assign(
            basis="measured",
            panel=measure.name,
            **{end: measure.times * rows[end] for end in ("estimate", "low", "high")},
        )
        chart = draw_intervals(shown, "panel", "site", f"{measure.name}, {measure.unit}")
        caption = f"Sites by {measure.name}, with 90 % intervals."
        section.add(Figure(f"comparison-{outcome}", chart, caption))
    section.add(
        table("comparison", "Level and rank of every site", comparison_table(levels, chances)),
        points([*comparison_sentences(chances), *reasons], "How sure"),
    )
    return section
