"""What moved the birds' season: bloom, energy on offer, weather, monsoon and surroundings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenology.landscape import burned_by, place_sites, standing
from phenology.report import figures
from phenology.report.content import Block, Drawing, Figure, Words, table
from phenology.report.habitat_map import draw_habitat_map
from phenology.report.words import day_words, plain

if TYPE_CHECKING:
    import xarray as xr

    from phenology.assess.assessment import Assessment
    from phenology.weather.monsoon import MonsoonYears

MOST_MAPS = 6
M2_A_HA = 10_000.0
SURROUNDINGS = {
    "burned_share": "% burned",
    "years_since_fire": "years since a fire",
    "distance_to_water": "metres to water",
}
ENERGY = {
    "flowers of a hectare": ("flower_energy_kj_per_ha", "birds_fed_by_flowers"),
    "feeders": ("feeder_energy_kj", "birds_fed_by_feeders"),
}


def bloom_blocks(
    assessment: Assessment, tables: dict[str, pd.DataFrame], sites: list[str]
) -> list[Block]:
    """Bloom by plant and in all, energy on offer, and what the bloom model is worth."""
    blocks: list[Block] = []
    if "bloom_days" in tables:
        blocks += bloom_figures(tables["bloom_days"], sites)
    if "bloom_plants" in tables:
        blocks += plant_figures(tables["bloom_plants"], tables["bloom_surveys"], sites)
    if "energy_days" in tables:
        blocks += energy_figures(tables["energy_days"], sites)
    notes = (
        assessment.site_days["open_flowers_per_m2"].attrs.get("notes", "")
        if ("open_flowers_per_m2" in assessment.site_days)
        else ""
    )
    words = [line for line in str(notes).split("\n") if line]
    if "bloom_skill" in tables:
        words.append(skill_words(tables["bloom_skill"]))
    return [*blocks, Words(tuple(words))] if words else blocks


def skill_words(skill: pd.DataFrame) -> str:
    """How well seasons left out were told, against the plain mean curve.

    Examples
    --------
    >>> skill_words(pd.DataFrame({"season": [2031, 2032], "error_model": [0.4, 0.6],
    ...     "error_mean_curve": [0.7, 0.9]}))
    'A season left out of the fit was told to within a factor of 1.6 on average, by the plain \
mean curve of the other seasons to within 2.2; the model was the better in 2 of 2 seasons.'
    """
    model, plain_mean = (
        float(np.exp(skill[name].mean())) for name in ("error_model", "error_mean_curve")
    )
    better = int((skill["error_model"] < skill["error_mean_curve"]).sum())
    return (
        f"A season left out of the fit was told to within a factor of {model:.1f} on average, by "
        f"the plain mean curve of the other seasons to within {plain_mean:.1f}; the model was the "
        f"better in {better} of {len(skill)} seasons."
    )


def plant_figures(plants: pd.DataFrame, surveys: pd.DataFrame, sites: list[str]) -> list[Block]:
    """Each plant's curve in the newest surveyed season of each site, surveys as points."""
    drawn: list[Block] = []
    for number, site in enumerate(sites):
        here = plants[plants["site"] == site]
        if here.empty:
            continue
        season = str(here["season"].iloc[0])
        seen = surveys[(surveys["site"] == site) & (surveys["season"] == season)]
        drawn.append(
            Figure(
                f"bloom-plants-{number}",
                figures.draw_bloom_curves(here, seen, season),
                f"Open flowers a square metre by plant at {plain(site, 60)} in "
                f"{plain(season, 20)}: the line is the estimate with its 90 % interval, each mark "
                "a survey; between surveys the band says how little is known. Each panel has its "
                "own scale.",
            )
        )
    return drawn


def energy_figures(days: pd.DataFrame, sites: list[str]) -> list[Block]:
    """Energy that flowers of a hectare and the feeders offered, by day."""
    drawn: list[Block] = []
    for number, site in enumerate(sites):
        here = days[days["site"] == site]
        if here.empty:
            continue
        season = str(here["season"].iloc[0])
        parts = []
        for offered, (energy, birds) in ENERGY.items():
            if energy not in here or here[energy].isna().all():
                continue
            fed = here[birds] if birds in here else pd.Series(np.nan, here.index)
            parts.append(
                pd.DataFrame(
                    {
                        "offered": f"{offered}, kJ a day",
                        "day": here["day"],
                        "date": [day_words(day, season) for day in here["day"]],
                        "energy_kj": here[energy],
                        "low": here[f"{energy}_low"],
                        "high": here[f"{energy}_high"],
                        "birds": ["" if np.isnan(n) else f"feeds {n:.0f} birds" for n in fed],
                    }
                )
            )
        if parts:
            drawn.append(
                Figure(
                    f"energy-{number}",
                    figures.draw_energy(pd.concat(parts, ignore_index=True), season),
                    f"Energy on offer at {plain(site, 60)} in {plain(season, 20)}, in kilojoules a "
                    "day with 90 % intervals: a hummingbird of 3 to 5 g needs some 25 to 40 a "
                    "day. What is filled is not all drunk, and others drink too.",
                )
            )
    return drawn


def weather_blocks(
    assessment: Assessment, tables: dict[str, pd.DataFrame], sites: list[str]
) -> list[Block]:
    """Weather by season, the calendar of moist days by year, and whose data these are."""
    if "weather_days" not in tables:
        return []
    onsets = assessment.estimates[assessment.estimates["quantity"] == "onset_day"]
    blocks = weather_figures(tables["weather_days"], onsets, sites)
    if assessment.monsoon is not None:
        dates = pd.DatetimeIndex(assessment.site_days["date"].to_numpy())
        sampled = assessment.monsoon.between(dates[0].year + 1, dates[-1].year)
        blocks += monsoon_figures(assessment.site_days, sampled, sites)
    attribution = assessment.site_days.attrs.get("attribution")
    return [*blocks, Words((str(attribution),), look="quiet")] if attribution else blocks


def habitat_blocks(assessment: Assessment, tables: dict[str, pd.DataFrame]) -> list[Block]:
    """Maps and measures of what lies about the sites whose place may be shown."""
    layers, sites = assessment.study.layers, assessment.study.sites
    if "landscape" not in tables:
        return []
    exact = sites[~sites["sensitive"].fillna(False).astype(bool)].dropna(
        subset=["latitude", "longitude"]
    )
    measured = tables["landscape"]
    newest = measured[measured["season"] == measured["season"].max()]
    drawn: list[Block] = []
    date = pd.DatetimeIndex(assessment.site_days["date"].to_numpy())[-1]
    habitat, fires = layers.get("habitat"), burned_by(layers.get("events"), date)
    habitat = None if habitat is None else standing(habitat, date)
    placed = place_sites(exact, layers.get("sites"))
    for number, row in enumerate(placed.head(MOST_MAPS).itertuples()):
        where = (float(row.longitude), float(row.latitude))
        shape = placed.loc[[row.Index]].geometry
        drawn.append(
            Drawing(
                f"habitat-{number}",
                draw_habitat_map(f"habitat-{number}", str(row.site), shape, where, habitat, fires),
                f"Habitat about {plain(row.site, 60)}: rings stand at 250 m, 1 km and 5 km. What "
                "was not mapped counts as absent.",
            )
        )
    return [*drawn, *landscape_tables(newest)]


def landscape_tables(measured: pd.DataFrame) -> list[Block]:
    """One season's surroundings: habitat by site and kind, then fire and water by site.

    Parameters
    ----------
    measured : DataFrame
        site, season, measure, kind, radius_m, value, unit.
    """
    season = plain(measured["season"].iloc[0], 20)
    within = measured.assign(
        within=["" if np.isnan(m) else _within(m) for m in measured["radius_m"].astype(float)]
    )
    blocks: list[Block] = []
    patches = within[within["measure"] == "patch_area"]
    area_ha = patches.assign(value=patches["value"] / M2_A_HA).pivot_table(
        index=["site", "kind"], columns="within", values="value", sort=False
    )
    area_ha = area_ha[area_ha.iloc[:, -1] > 0] if len(area_ha) else area_ha
    if len(area_ha):
        caption = f"Habitat about the sites, {season}, in hectares"
        rounded = area_ha.round(1).where(area_ha >= 1, area_ha.round(2))
        shown = rounded.reset_index().rename(columns={"kind": "habitat"})
        blocks.append(table("landscape", caption, shown))
    rest = within[within["measure"].isin(SURROUNDINGS)].copy()
    share = rest["measure"] == "burned_share"
    rest["value"] = rest["value"].where(~share, 100 * rest["value"])
    rest["what"] = (rest["measure"].map(SURROUNDINGS) + " " + rest["within"]).str.strip()
    if len(rest):
        by_site = rest.pivot(index="site", columns="what", values="value").round(1)
        order = [name for measure in SURROUNDINGS for name in _named(rest, measure)]
        ordered = by_site[order].dropna(axis="columns", how="all")
        caption = f"Fire and water about the sites, {season}"
        blocks.append(table("surroundings", caption, ordered.reset_index(), "landscape"))
    return blocks


def _named(rows: pd.DataFrame, measure: str) -> list[str]:
    return list(rows.loc[rows["measure"] == measure, "what"].unique())


def _within(radius_m: float) -> str:
    """Words for a radius, "within 250 m" or "within 5 km"."""
    return f"within {radius_m:g} m" if radius_m < 1000 else f"within {radius_m / 1000:g} km"


def bloom_figures(days: pd.DataFrame, sites: list[str]) -> list[Block]:
    """Open flowers and the bloom index through the season, by site."""
    measures = {"open_flowers_per_m2": "open flowers a square metre", "bloom_index": "bloom index"}
    drawn: list[Block] = []
    for number, site in enumerate(sites):
        here = days[days["site"] == site]
        long = pd.concat(
            [
                here.assign(measure=title, value=here[name], low=here[f"{name}_low"],
                            high=here[f"{name}_high"])
                for name, title in measures.items()
                if name in here
            ]
        )  # fmt: skip
        if long["value"].notna().any():
            season = here.loc[here["open_flowers_per_m2"].notna(), "season"].max()
            marks = here.loc[here["surveyed"].astype(bool), ["season", "day"]]
            drawn.append(
                Figure(
                    f"bloom-{number}",
                    figures.draw_conditions(long, marks, season, "surveyed"),
                    f"Bloom at {plain(site, 60)}: {plain(season, 20)} with its 90 % interval, "
                    "other seasons thin behind it; ticks are days surveyed, and a bloom index of "
                    "0 is this site's normal for the day.",
                )
            )
    return drawn


def monsoon_figures(weather: xr.Dataset, monsoon: MonsoonYears, sites: list[str]) -> list[Block]:
    """The calendar of moist days of each site, a row a year."""
    known = set(monsoon.turns["site"])
    return [
        Figure(
            f"monsoon-{number}",
            figures.draw_monsoon_calendar(weather, monsoon, site),
            f"The monsoon at {plain(site, 60)}, a row a year: shaded days are moist, lines are "
            "rain, longer for more. Triangles are onset and withdrawal by moist days, diamonds "
            "onset by rain, bars their 90 % intervals, hollow triangles false starts; at the end "
            "stands the season's rain.",
        )
        for number, site in enumerate(sites)
        if site in known
    ]


def weather_figures(days: pd.DataFrame, onsets: pd.DataFrame, sites: list[str]) -> list[Block]:
    """Rain since the season began and dew point, by site, with the monsoon's onset."""
    measures = {
        "rain_since_start_mm": "rain since the season began, mm",
        "dewpoint_c": "dew point, °C",
        "tmax_c": "highest temperature of the day, °C",
    }
    told = onsets[["site", "season", "estimate"]].dropna().rename(columns={"estimate": "day"})
    drawn: list[Block] = []
    for number, site in enumerate(sites):
        here = days[days["site"] == site]
        known = [name for name in measures if name in here and here[name].notna().any()]
        if not known:
            continue
        long = pd.concat(
            [here.assign(measure=measures[name], value=here[name]) for name in known[:2]]
        )
        season = here.loc[here[known].notna().any(axis="columns"), "season"].max()
        marks = told.loc[told["site"] == site, ["season", "day"]]
        drawn.append(
            Figure(
                f"weather-{number}",
                figures.draw_conditions(long, marks, season, "onset"),
                f"Weather at {plain(site, 60)}: {plain(season, 20)} bold, other seasons thin; "
                "where rain climbs and dew point stays high the monsoon has come, and ticks mark "
                "its onset where it can be told.",
            )
        )
    return drawn
