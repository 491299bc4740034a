"""What drives support: effects by outcome and role, what is not shown, what local birds carry."""

from __future__ import annotations

import pandas as pd

from phenology.assess.support import DIRECT
from phenology.quantities import AT_EQUAL, WITHIN
from phenology.report.content import Section, points, table
from phenology.report.panels import interval_figures
from phenology.report.support_measures import DESCRIPTIONS
from phenology.report.support_words import (
    effect_sentence,
    level_sentence,
    unshown_sentence,
    untold_sentence,
)
from phenology.report.tables import shown_answers
from phenology.report.titles import title_words

MOST_SITES = 4  # told of in words, those with most birds; the table holds all
LOCAL_LEVELS = ("fuel_after_breeding", "moult_share", "breeding_share")


def support_section(tables: dict[str, pd.DataFrame]) -> Section:
    """Effects of drivers by outcome, for local and passage birds apart."""
    section = Section(
        "support",
        "What drives support",
        "Effects compare like with like within sites where the data allow it. A mark left or "
        "right of the line says which way; an interval that crosses the line says that the way "
        "cannot be told. Within-site effects compare days and seasons of one site; between-site "
        "effects compare sites, which differ in more than this.",
    )
    further = tables.get("further")
    effects = further[further["quantity"] == "effect"] if further is not None else None
    if effects is None or effects.empty:
        return section
    for outcome, rows in effects.groupby("outcome", sort=False):
        label = rows["definition"]
        if "group" in rows:  # empty columns are left out
            label = rows["group"].where(rows["group"].fillna("") != "", label)
        drawn = rows.assign(
            panel=rows["driver"].str.replace("_x_", " × ").str.replace("_", " "),
            label=label,
            day="",
        )
        unit = str(rows["unit"].iloc[0]).partition(",")[0]
        changes = dict.fromkeys(filter(None, (u.partition(", ")[2] for u in rows["unit"])))
        title = title_words(str(outcome))
        section.add(
            *interval_figures(
                drawn,
                f"effect-{outcome}".replace("_", "-"),
                f"change of {title.lower()}, {unit}",
                f"What moves {title.lower()}, for local and passage birds: "
                + "; ".join(changes)
                + ".",
                none=0.0,
            )
        )
    section.add(table("effects", "Effects", shown_answers(effects), "estimates", folded=True))
    told = _within_sites(effects[effects["basis"] != "refused"])
    clear = (told["low"] > 0) | (told["high"] < 0)
    said_of = [effect_sentence(row) for row in told[clear].to_dict("records")]
    described = [why for name, why in DESCRIPTIONS.items() if name in set(told["outcome"])]
    said_of += [f"{why}: a description, no support." for why in described]
    section.add(points(said_of))
    open_ = [*_unshown(told.assign(clear=clear)), *_untold(tables)]
    section.add(points(open_, "Not clear, or not told"))
    section.add(points(_local_levels(tables), "Local birds, days and groups being equal"))
    return section


def _within_sites(effects: pd.DataFrame) -> pd.DataFrame:
    """Effects within sites, in all; of a monsoon that is not parted, its part beside flowers."""
    whole, key = effects["definition"] == WITHIN, ["outcome", "role", "driver"]
    parted = pd.MultiIndex.from_frame(effects[key]).isin(
        pd.MultiIndex.from_frame(effects.loc[whole, key])
    )
    return effects[whole | ((effects["definition"] == DIRECT) & ~parted)]


def _unshown(told: pd.DataFrame) -> list[str]:
    """For each outcome and role the drivers whose way cannot be told, or that do little."""
    said_of = []
    for (outcome, role), rows in told.groupby(["outcome", "role"], sort=False):
        clear = set(rows.loc[rows["clear"], "driver"])  # of one group, perhaps not of another
        drivers = [driver for driver in rows["driver"] if driver not in clear]
        if drivers:
            said_of.append(unshown_sentence(str(outcome), str(role), drivers))
    return said_of


def _untold(tables: dict[str, pd.DataFrame]) -> list[str]:
    """Outcomes of which nothing can be said, for a role."""
    refused = tables.get("refused")
    if refused is None:
        return []
    whole = refused[(refused["quantity"] == "effect") & (refused["driver"] == "")]
    return [
        untold_sentence(row["outcome"], row["role"], row["reason"], row.get("site", ""))
        for row in whole.to_dict("records")
        if row["outcome"] and row["role"]
    ]


def _local_levels(tables: dict[str, pd.DataFrame]) -> list[str]:
    """What local birds carry and how far they have come, at the sites with most birds."""
    compared = tables.get("comparison")
    if compared is None:
        return []
    levels = compared[(compared["definition"] == AT_EQUAL) & (compared["role"] == "local")]
    most = levels.sort_values("birds", ascending=False, kind="stable")
    return [
        level_sentence(row)
        for name in LOCAL_LEVELS
        for row in most[most["quantity"] == name].head(MOST_SITES).to_dict("records")
    ]
