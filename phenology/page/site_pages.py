"""Sites side by side: on a map with a chosen answer beside each, and as intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING

from markupsafe import Markup

from phenology.page.render import render
from phenology.quantities import AT_EQUAL, QUANTITIES
from phenology.report.content import Figure, table
from phenology.report.figures import draw_intervals
from phenology.report.map import draw_site_map
from phenology.report.tables import shown_answers
from phenology.report.words import day_words, estimate_words, unit_words

if TYPE_CHECKING:
    import pandas as pd
    from starlette.requests import Request
    from starlette.responses import Response

    from phenology.page.desk import Desk
    from phenology.page.results import Results

_ROLES = ("local", "passage")


def show_sites(request: Request) -> Response:
    """The map, with one comparable quantity of one role."""
    desk: Desk = request.app.state.workspace.desk(request.path_params["study"])
    results = desk.results()
    sites = results.needed_table("sites")
    compared = _comparable(results)
    quantities = list(dict.fromkeys(compared["quantity"]))
    asked = request.query_params
    quantity = asked.get("quantity", "") or (quantities[0] if quantities else "")
    rows = compared[compared["quantity"] == quantity]
    roles = [role for role in _ROLES if (rows["role"] == role).any()]
    role = asked.get("role", "") if asked.get("role", "") in roles else (roles or [""])[0]
    told = {
        row["site"]: f"{estimate_words(row)} {unit_words(str(row['unit']))}".strip()
        for row in rows[rows["role"] == role].to_dict("records")
    }
    return render(
        request,
        "sites.html",
        desk=desk,
        room="sites",
        changed=results.changed,
        map_svg=Markup(draw_site_map(sites, results.run.options.coarsen_km, told)),  # noqa: S704  # escaped there
        map_caption=_map_caption(quantity, role),
        coarse=bool(sites["sensitive"].any()),
        quantities={name: name.replace("_", " ") for name in quantities},
        roles=roles,
        quantity=quantity,
        role=role,
        figure_block=_figure(rows, quantity) if len(rows) else None,
        answers=table(
            "sites", "Sites compared", shown_answers(rows.assign(definition="")), "comparison"
        )
        if len(rows)
        else None,
        sampled=_sampled(results),
    )


def _comparable(results: Results) -> pd.DataFrame:
    """What stands for a site as a whole, at equal days and groups."""
    compared = results.table("comparison")
    if compared is None:
        import pandas as pd

        return pd.DataFrame(columns=["quantity", "role", "site", "unit", "basis"])
    return compared[(compared["definition"] == AT_EQUAL) & (compared["season"] == "")]


def _map_caption(quantity: str, role: str) -> str:
    if not quantity:
        return "The sites. Nothing could be compared between them; the report says why."
    return (
        f"The sites, each with its {quantity.replace('_', ' ')} of {role} birds and the 90 % "
        "interval, as if all had worked the same days and caught the same groups."
    )


def _figure(rows: pd.DataFrame, quantity: str) -> Figure:
    unit, meaning = QUANTITIES[quantity]
    drawn = rows.assign(panel=quantity.replace("_", " "))
    return Figure(
        "sites",
        draw_intervals(
            drawn,
            "panel",
            "site",
            f"{quantity.replace('_', ' ')}, {unit}",
            number_format="%" if unit.startswith("share") else ".3~g",
        ),
        f"{meaning[:1].upper()}{meaning[1:]}: each site with its 90 % interval, for local and "
        "passage birds apart. Intervals that overlap much do not tell sites apart.",
    )


def _sampled(results: Results) -> object:
    """What was worked at each site, beside which every comparison must be read."""
    seasons = results.needed_table("seasons_sampled")
    there = seasons[seasons["days"] > 0]
    shown = (
        there.groupby("site")
        .agg(
            seasons=("season", "nunique"),
            days=("days", "sum"),
            birds=("birds", "sum"),
            first=("first_day", "min"),
            last=("last_day", "max"),
        )
        .reset_index()
    )
    for column in ("first", "last"):
        shown[column] = [day_words(day) for day in shown[column]]
    shown = shown.rename(columns={"first": "earliest day", "last": "latest day"})
    return table("sampled", "What was worked", shown, "seasons_sampled")
