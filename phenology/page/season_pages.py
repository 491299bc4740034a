"""A season at a site: its calendar, its dates, and the birds expected by day."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from phenology.page.calendar_days import calendar_months
from phenology.page.render import render
from phenology.report.content import Figure, table
from phenology.report.figures import draw_season_curves
from phenology.report.words import day_words, span_words

if TYPE_CHECKING:
    import pandas as pd
    from starlette.requests import Request
    from starlette.responses import Response

    from phenology.page.desk import Desk
    from phenology.page.results import Results

_DATES = {"arrival_day": "arrival", "peak_day": "most birds", "departure_day": "departure"}


def show_season(request: Request) -> Response:
    """One site, season and species: days worked, birds caught, dates, curves."""
    desk: Desk = request.app.state.workspace.desk(request.path_params["study"])
    results = desk.results()
    sampled = results.needed_table("seasons_sampled")
    birds = results.needed_table("single_birds")
    choices = {
        "site": sorted(sampled["site"].unique()),
        "season": sorted(sampled["season"].unique(), reverse=True),
        "species": list(birds["species"].value_counts().index),
    }
    chosen = _chosen(request, choices, sampled)
    here = {name: chosen[name] for name in ("site", "season")}
    curves = _of_species(_where(results.table("curves"), **here, curve="present"), chosen)
    worked = _where(results.needed_table("sampled_days"), **here)
    caught = _where(birds, **here, species=chosen["species"])
    roles = set(curves["role"]) if len(curves) else set()
    return render(
        request,
        "season.html",
        desk=desk,
        room="season",
        changed=results.changed,
        choices=choices,
        chosen=chosen,
        months=calendar_months(curves, worked, caught, chosen["season"]),
        role=roles.pop() if len(roles) == 1 else "mixed",
        worked=len(worked),
        caught=len(caught),
        figure_block=_figure(results, chosen, has_curve=len(curves) > 0),
        dates=_dates(results, chosen),
        refused=_refused(results, chosen),
    )


def _chosen(
    request: Request, choices: dict[str, list[str]], sampled: pd.DataFrame
) -> dict[str, str]:
    """What was asked for, else the newest season with birds at its busiest site."""
    busiest = sampled.sort_values(["season", "birds"], ascending=False)
    busiest = busiest[busiest["days"] > 0]
    usual = {name: str(busiest[name].iloc[0]) for name in ("site", "season")}
    usual["species"] = choices["species"][0]
    asked = {name: request.query_params.get(name, "") for name in choices}
    return {name: asked[name] if asked[name] in choices[name] else usual[name] for name in choices}


def _where(rows: pd.DataFrame | None, **columns: str) -> pd.DataFrame:
    import pandas as pd

    if rows is None:
        return pd.DataFrame(columns=["group", "role", "day", "estimate", "full"])
    for name, value in columns.items():
        rows = rows[rows[name] == value]
    return rows


def _is_of(groups: pd.Series[str], species: str) -> pd.Series[bool]:
    """Which groups are a species' or one of its classes."""
    return (groups + " ").str.startswith(f"{species} ")


def _of_species(rows: pd.DataFrame, chosen: dict[str, str]) -> pd.DataFrame:
    """Rows of the classes of one species, without those that pool classes already."""
    mine = rows[_is_of(rows["group"], chosen["species"])]
    parted = mine[mine["group"] != chosen["species"]]
    return parted if len(parted) else mine


def _figure(results: Results, chosen: dict[str, str], *, has_curve: bool) -> Figure | None:
    curves = results.table("curves")
    if curves is None or not has_curve:
        return None
    at_site = _of_species(_where(curves, site=chosen["site"]), chosen)
    drawn = draw_season_curves(
        at_site, results.needed_table("sampled_days"), chosen["site"], chosen["season"]
    )
    return Figure(
        "season-curves",
        drawn,
        f"Birds expected a day at {chosen['site']} in {chosen['season']} with the 90 % interval; "
        "other seasons lie thin behind, and the ticks below are the days worked.",
    )


def _dates(results: Results, chosen: dict[str, str]) -> Any:
    """Arrival, most birds and departure in words, one row a group and role."""
    import pandas as pd

    timing = results.table("timing")
    if timing is None:
        return None
    rows = _where(timing, site=chosen["site"], season=chosen["season"])
    rows = rows[_is_of(rows["group"], chosen["species"])]
    if rows.empty:
        return None
    shown = pd.DataFrame({"group": rows["group"], "role": rows["role"]})
    for column, heading in _DATES.items():
        shown[heading] = [
            f"{day_words(day, chosen['season'])} ({span_words(low, high, chosen['season'])})"
            if day == day  # noqa: PLR0124  # missing: no date could be told
            else None
            for day, low, high in zip(
                rows[column], rows[f"{column}_low"], rows[f"{column}_high"], strict=True
            )
        ]
    shown["birds"], shown["basis"] = rows["birds"].astype(int), rows["basis"]
    return table("dates", "Dates, with the 90 % interval", shown.reset_index(drop=True), "timing")


def _refused(results: Results, chosen: dict[str, str]) -> list[str]:
    """Why a date could not be told."""
    refused = results.table("refused")
    if refused is None:
        return []
    rows = _where(refused, site=chosen["site"], season=chosen["season"])
    rows = rows[rows["quantity"].isin(_DATES)]
    rows = rows[_is_of(rows["group"], chosen["species"])]
    return [
        f"{row.group} ({row.role or 'all'}), {_DATES[row.quantity]}: {row.reason}"
        for row in rows.itertuples()
    ][:12]
