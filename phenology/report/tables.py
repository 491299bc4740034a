"""Every table of the report, and what each figure draws, as plain DataFrames."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenology.assess.departure import AT_DEPARTURE
from phenology.assess.readers import digits_written, readers_compared
from phenology.places import coarsen_sites
from phenology.quantities import AGAINST_NORMAL, AT_EQUAL
from phenology.report.driver_tables import driver_tables
from phenology.report.stays import gains, movements
from phenology.report.words import estimate_words, sentence, unit_words
from phenology.seasons import season_windows
from phenology.study.permit_year import permit_years

if TYPE_CHECKING:
    import xarray as xr

    from phenology.assess.assessment import Assessment
    from phenology.seasons import Window
    from phenology.study.options import StudyOptions
    from phenology.study.study import Study

TIMING = ("arrival_day", "peak_day", "departure_day")
FAT_CLASS = "fat class"
SUBJECT = ["site", "season", "group", "role"]


def report_tables(assessment: Assessment) -> dict[str, pd.DataFrame]:
    """Tables by name, fit to share: no banders, no remarks, sensitive sites coarsened.

    Parameters
    ----------
    assessment : Assessment
        What a run found.

    Returns
    -------
    dict of DataFrame
        A table without rows is left out.
    """
    study, estimates = assessment.study, assessment.estimates
    worked = assessment.site_days["sampled"]
    windows = season_windows(
        study.options.seasons,
        pd.DatetimeIndex(worked["date"].to_numpy()[worked.any("site").to_numpy()]),
    )
    sampled = sampled_days(assessment.site_days, windows)
    birds = single_birds(assessment.captures, study.options, windows)
    compared = estimates["definition"].isin([AT_EQUAL, AGAINST_NORMAL])
    classes = estimates[estimates["definition"].str.startswith(FAT_CLASS)]
    leaving = estimates[estimates["definition"] == AT_DEPARTURE]
    own = estimates[estimates["definition"] == ""]
    elsewhere = estimates["quantity"].isin([*TIMING, "fuel_load", "lean_mass_g"])
    further = estimates[~compared & ~elsewhere]
    compared = estimates[compared]
    tables = {
        "timing": timing(estimates),
        "fuel": answers(own, ("fuel_load",)),
        "fuel_classes": answers(classes, ("fuel_load",)),
        "fuel_at_departure": answers(leaving, ("fuel_load",)),
        "readers": readers_compared(study, assessment.captures["group"]).drop(columns="reader"),
        "last_digits": digits_written(study),
        "lean_mass": answers(own, ("lean_mass_g",)),
        "further": answers(further, tuple(further["quantity"].unique())),
        "comparison": answers(compared, tuple(compared["quantity"].unique())),
        "site_chances": assessment.chances,
        "refused": refused(estimates),
        "curves": assessment.curves.drop(columns=["name"], errors="ignore"),
        "sampled_days": sampled,
        "seasons_sampled": seasons_sampled(sampled, study.sites["site"]),
        "single_birds": birds,
        "learning": learning(estimates),
        "bloom_days": bloom_days(assessment.site_days, windows),
        "weather_days": weather_days(assessment.site_days, windows),
        "rows": rows_by_sheet(study.rows),
        "set_aside": set_aside(study.set_aside),
        "findings": findings_by_kind(study.findings),
        "gains": gains(assessment.captures, birds),
        "movements": movements(assessment),
        "sites": coarsen_sites(study.sites, study.options.coarsen_km),
        "welfare": welfare(assessment.captures, study.options),
        "permit_year": permit_year_shared(study),
        "diagnostics": assessment.diagnostics,
    }
    tables |= driver_tables(assessment, windows)
    return {name: table for name, table in tables.items() if len(table.columns) and len(table)}


def placed(dates: pd.Series, windows: tuple[Window, ...]) -> pd.DataFrame:
    """Season as reported and day of the season's year, for each date.

    A date outside every window belongs to its calendar year.
    """
    days = pd.DatetimeIndex(dates)
    table = pd.DataFrame(
        {"season": days.year.astype(str), "day": days.day_of_year.astype(int)}, index=dates.index
    )
    for window in windows:
        place = window.place(days).set_index(dates.index)
        inside = place["inside"]
        labels = [window.label(season) for season in place.loc[inside, "season"]]
        table.loc[inside, "season"] = labels
        table.loc[inside, "day"] = place.loc[inside, "day"]
    return table


def role_of(group: str, site: str, options: StudyOptions) -> str:
    """Role that study.toml gives a group's species at a site."""
    known = [species for species in options.species if group.startswith(species)]
    if not known:
        return "mixed"
    species = options.species[max(known, key=len)]
    return species.sites.get(site, species.role)


def is_one_season(seasons: pd.Series[str]) -> pd.Series[bool]:
    """Whether a label names one season; else it stands for all seasons sampled."""
    return seasons.astype(str).str[:4].str.isdigit()


def timing(estimates: pd.DataFrame) -> pd.DataFrame:
    """Arrival, peak and departure beside one another, one row a site, season, group and role."""
    rows = estimates[estimates["quantity"].isin(TIMING) & (estimates["basis"] != "refused")]
    if rows.empty:
        return pd.DataFrame()
    rows = rows[rows["scenario"] == ""].drop_duplicates(["quantity", *SUBJECT])
    wide = rows.pivot(index=SUBJECT, columns="quantity", values=["estimate", "low", "high"])
    flat = pd.DataFrame(index=wide.index)
    for quantity in TIMING:
        for value, suffix in (("estimate", ""), ("low", "_low"), ("high", "_high")):
            flat[quantity + suffix] = (
                wide[(value, quantity)] if (value, quantity) in wide.columns else np.nan
            )
    peaks = rows.sort_values("quantity", key=lambda names: names != "peak_day")
    kept = peaks.drop_duplicates(SUBJECT).set_index(SUBJECT)[["birds", "basis"]]
    return flat.join(kept).reset_index()


def answers(estimates: pd.DataFrame, quantities: tuple[str, ...]) -> pd.DataFrame:
    """The answered rows of some quantities, empty columns left out."""
    rows = estimates[
        estimates["quantity"].isin(quantities) & (estimates["basis"] != "refused")
    ].reset_index(drop=True)
    empty = [column for column in rows.columns if rows[column].isin(["", None]).all()]
    return rows.drop(columns=empty)


def refused(estimates: pd.DataFrame) -> pd.DataFrame:
    """What was asked and could not be answered, with the reason."""
    rows = estimates[estimates["basis"] == "refused"]
    kept = ["quantity", "outcome", "driver", *SUBJECT, "birds", "note"]
    return rows[kept].rename(columns={"note": "reason"}).reset_index(drop=True)


def sampled_days(site_days: xr.Dataset, windows: tuple[Window, ...]) -> pd.DataFrame:
    """One row a site and day worked: season, day, device-hours, distinct birds, closed full."""
    sampled = site_days["sampled"].to_series()
    days = sampled[sampled.astype(bool)].index.to_frame(index=False)
    if days.empty:
        return pd.DataFrame(columns=["site", "season", "day", "date", "hours", "birds", "full"])
    of_day = pd.MultiIndex.from_frame(days[["site", "date"]])
    known = bool(site_days.attrs.get("effort_known", 1))
    hours = site_days["effort_hours"].sum("bait").to_series().reindex(of_day)
    birds = site_days["captures"].sum(["bait", "group"]).to_series().reindex(of_day)
    full = site_days["full"].any("bait").to_series().reindex(of_day)
    days = days.join(placed(days["date"], windows))
    days["hours"] = hours.where(hours > 0).to_numpy() if known else np.nan
    days["birds"] = birds.to_numpy(dtype=int)
    days["full"] = full.to_numpy(dtype=bool)
    return days[["site", "season", "day", "date", "hours", "birds", "full"]].sort_values(
        ["site", "date"], ignore_index=True
    )


def seasons_sampled(sampled: pd.DataFrame, sites: pd.Series) -> pd.DataFrame:
    """Effort by site and season; a season that the study spans but lost has a row of zeros."""
    if sampled.empty:
        return pd.DataFrame()
    every = pd.MultiIndex.from_product(
        [sites.astype(str), _spanned(sampled["season"])], names=["site", "season"]
    )
    by_season = sampled.groupby(["site", "season"]).agg(
        days=("day", "size"),
        first_day=("day", "min"),
        last_day=("day", "max"),
        hours=("hours", lambda hours: hours.sum(min_count=1)),
        birds=("birds", "sum"),
    )
    whole = by_season.reindex(every)
    counts = {"days": whole["days"].fillna(0), "birds": whole["birds"].fillna(0)}
    return whole.assign(**{name: value.astype(int) for name, value in counts.items()}).reset_index()


def _spanned(seasons: pd.Series[str]) -> list[str]:
    """Every season from the first year to the last, also those in which no site was worked."""
    parts = seasons.str.partition(" ")
    years = parts[0].astype(int)
    names = sorted(parts[2].unique())
    return [
        f"{year} {name}".strip() for year in range(years.min(), years.max() + 1) for name in names
    ]


BLOOM = ("open_flowers_per_m2", "nectar", "bloom_index")
WEATHER = ("rain_mm", "dewpoint_c", "tmin_c", "tmax_c")


def bloom_days(site_days: xr.Dataset, windows: tuple[Window, ...]) -> pd.DataFrame:
    """Estimated bloom of every day in the season, and whether it was surveyed."""
    names = [name + end for name in BLOOM for end in ("", "_low", "_high")]
    return _daily(site_days, [*names, "surveyed"], windows)


def weather_days(site_days: xr.Dataset, windows: tuple[Window, ...]) -> pd.DataFrame:
    """Weather of every day in the season, with the rain since the season began."""
    days = _daily(site_days, list(WEATHER), windows)
    if "rain_mm" in days:
        days["rain_since_start_mm"] = (
            days["rain_mm"].fillna(0).groupby([days["site"], days["season"]]).cumsum()
        ).where(days["rain_mm"].notna())
    return days


def _daily(site_days: xr.Dataset, names: list[str], windows: tuple[Window, ...]) -> pd.DataFrame:
    """Variables on (site, date) as rows, on the days that lie in a season's window."""
    there = [name for name in names if name in site_days]
    if not there:
        return pd.DataFrame()
    rows = site_days[there].to_dataframe().reset_index()[["site", "date", *there]]
    dates = pd.DatetimeIndex(rows["date"])
    # Weather and bloom begin with the winter before; the tail of a season before that is none.
    first = pd.DatetimeIndex(site_days["date"].to_numpy())[
        site_days["sampled"].any("site").to_numpy()
    ].min()
    inside = np.zeros(len(dates), dtype=bool)
    for window in windows:
        placed_here = window.place(dates)
        begun = placed_here["season"] >= window.place(pd.DatetimeIndex([first]))["season"].iloc[0]
        inside |= (placed_here["inside"] & begun).to_numpy()
    rows = rows[inside].dropna(subset=there, how="all")
    return rows.join(placed(rows["date"], windows)).sort_values(["site", "date"], ignore_index=True)


def single_birds(
    captures: pd.DataFrame, options: StudyOptions, windows: tuple[Window, ...]
) -> pd.DataFrame:
    """What the figures of single birds draw: no band, no bander, no remark."""
    kept = ["site", "date", "species", "group", "wing_mm", "mass_g"]
    made = [
        name + suffix
        for name in ("lean_mass_g", "fuel_load", "p_local", "potential_range_km")
        for suffix in ("", "_low", "_high")
    ]
    birds = captures.reindex(columns=[*kept, *made]).dropna(axis="columns", how="all")
    birds = birds.join(placed(birds["date"], windows))
    pairs = birds[["group", "site"]].drop_duplicates()
    pairs["role"] = [
        role_of(group, site, options)
        for group, site in zip(pairs["group"], pairs["site"], strict=True)
    ]
    return birds.merge(pairs, on=["group", "site"], how="left")


def learning(estimates: pd.DataFrame) -> pd.DataFrame:
    """Mean shares of learning by quantity, site and role: own, borrowed, prior."""
    shares = ["share_own", "share_borrowed", "share_prior"]
    rows = estimates[estimates["share_own"].notna()]
    if rows.empty:
        return pd.DataFrame()
    keys = ["quantity", "site", "role"]
    means = rows.groupby(keys, as_index=False)[shares].mean()
    return means.merge(rows.groupby(keys).size().rename("answers").reset_index(), on=keys)


def rows_by_sheet(rows: dict[str, dict[str, int]]) -> pd.DataFrame:
    """Rows read, used and set aside by kind of sheet."""
    return pd.DataFrame([{"sheet": sheet} | counts for sheet, counts in rows.items()])


def set_aside(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows set aside by sheet and reason."""
    if rows.empty:
        return pd.DataFrame()
    return rows.groupby(["sheet", "reason"]).size().rename("rows").reset_index()


def findings_by_kind(findings: pd.DataFrame) -> pd.DataFrame:
    """Findings counted; the single ones, with the values as written, are private."""
    if findings.empty:
        return pd.DataFrame()
    keys = ["kind", "severity", "sheet", "column", "action"]
    counted = findings.fillna(dict.fromkeys(keys, "")).groupby(keys).size().rename("findings")
    return counted.reset_index().sort_values("findings", ascending=False, ignore_index=True)


def welfare(captures: pd.DataFrame, options: StudyOptions) -> pd.DataFrame:
    """Counts by species that a permit office and a trainer ask for."""
    columns = ["species", "site", "date", "band", "released", "incident", "gravid"]
    birds = captures.reindex(columns=[*columns, "time", "process_time", "release_time"])
    start = birds["time"].fillna(birds["process_time"]).astype(float)
    birds["in_hand_min"] = (birds["release_time"].astype(float) - start) * 60
    birds.loc[birds["in_hand_min"] < 0, "in_hand_min"] = np.nan
    banded = birds["band"].notna()
    birds["again_same_day"] = banded & birds.duplicated(["site", "date", "band"])
    limit = options.limits.get("handling_min", np.inf)
    table = (
        birds.assign(
            state_noted=birds["released"].notna(),
            injured=birds["released"].eq("injured").fillna(False),
            died=birds["released"].eq("died").fillna(False),
            incident_noted=birds["incident"].notna(),
            gravid=birds["gravid"].eq(True).fillna(False),
            over_limit=birds["in_hand_min"] > limit,
            timed=birds["in_hand_min"].notna(),
        )
        .groupby("species")
        .agg(
            captures=("species", "size"),
            state_noted=("state_noted", "sum"),
            injured=("injured", "sum"),
            died=("died", "sum"),
            incident_noted=("incident_noted", "sum"),
            gravid=("gravid", "sum"),
            again_same_day=("again_same_day", "sum"),
            timed=("timed", "sum"),
            median_in_hand_min=("in_hand_min", "median"),
            over_limit=("over_limit", "sum"),
        )
    )
    if not np.isfinite(limit):
        table = table.drop(columns="over_limit")
    return table.reset_index()


def permit_year_shared(study: Study) -> pd.DataFrame:
    """The last year's permit table without its banders; the whole of it is private."""
    years = permit_years(study)
    last = years[(years["year"] == years["year"].max()) & (years["part"] != "banders")]
    return last.reset_index(drop=True)


def shown_answers(table: pd.DataFrame) -> pd.DataFrame:
    """Answers as a table shows them: estimate with its interval in one cell."""
    rows = table.to_dict("records")
    keys = ("outcome", "driver", "definition", "scenario", *SUBJECT, "day", "plant")
    subject = {key: table[key] for key in keys if key in table and table[key].any()}
    for key in subject.keys() & set(SUBJECT):
        subject[key] = subject[key].replace("", "all")
    for key in subject.keys() & {"outcome", "driver"}:
        subject[key] = subject[key].str.replace("_", " ")
    units = table["unit"].map(unit_words)
    one_unit = units.nunique() == 1
    estimate = f"{units.iloc[0]} (90 %)" if one_unit else "estimate (90 %)"
    return pd.DataFrame(
        {
            **subject,
            estimate: [estimate_words(row) for row in rows],
            **({} if one_unit else {"unit": units}),
            **({"birds": table["birds"]} if table["birds"].any() else {}),
            "basis": table["basis"],
        }
    )


def said(table: pd.DataFrame) -> list[str]:
    """Each row of a table of estimates as a sentence."""
    return [sentence(row) for row in table.to_dict("records")]
