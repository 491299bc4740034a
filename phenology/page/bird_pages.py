"""A bird's page: every capture of a band, and its fuel over time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from phenology.page.figures import draw_bird_fuel
from phenology.page.render import render
from phenology.report.content import Figure, table

if TYPE_CHECKING:
    import pandas as pd
    from starlette.requests import Request
    from starlette.responses import Response

    from phenology.page.desk import Desk

SHOWN = 60  # bands a page
_SHARE = {"fuel_load": "fuel, % of lean mass", "p_local": "chance that it is local, %"}
_FIRST = ("site", "date", "time", "capture", "species", "age", "sex", "wing_mm", "mass_g", "fat")


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.workspace.desk(request.path_params["study"])
    return desk


def show_birds(request: Request) -> Response:
    """Bands that hold the text asked for, those caught most often first."""
    desk = _desk(request)
    captures = desk.results().run.captures
    wanted = request.query_params.get("text", "").strip()
    banded = captures[captures["band"].notna()]
    if wanted:
        holds = banded["band"].str.contains(wanted, case=False, regex=False)
        holds |= banded["species"].str.contains(wanted, case=False, regex=False).fillna(False)
        banded = banded[holds]
    birds = (
        banded.groupby("band")
        .agg(
            species=("species", "last"),
            captures=("band", "size"),
            seasons=("season", "nunique"),
            first=("date", "min"),
            last=("date", "max"),
        )
        .sort_values(["captures", "last"], ascending=False, kind="stable")
    )
    shown = birds.head(SHOWN).reset_index()
    return render(
        request,
        "birds.html",
        desk=desk,
        room="birds",
        text=wanted,
        birds=shown.assign(
            first=shown["first"].dt.strftime("%Y-%m-%d"), last=shown["last"].dt.strftime("%Y-%m-%d")
        ).to_dict("records"),
        left_out=len(birds) - len(shown),
        unbanded=int(captures["band"].isna().sum()),
    )


def show_bird(request: Request) -> Response:
    """One band: its captures in order and its fuel at each."""
    desk = _desk(request)
    captures = desk.results().run.captures
    band = request.query_params["band"]
    rows = captures[captures["band"] == band].sort_values(["date", "time"])
    if rows.empty:
        raise KeyError(band)
    weighed = rows.dropna(subset=["fuel_load"]) if "fuel_load" in rows else rows.iloc[:0]
    figure = None
    if len(weighed):
        figure = Figure(
            "fuel",
            draw_bird_fuel(weighed),
            "Fuel at each capture with its 90 % interval; a line joins captures of one season. "
            "Little fuel in a breeding local bird is normal.",
        )
    return render(
        request,
        "bird.html",
        desk=desk,
        room="birds",
        band=band,
        species=" or ".join(rows["species"].dropna().unique()),
        captures=table("captures", f"Captures of {band}", captures_in_words(rows), "captures"),
        count=len(rows),
        seasons=rows["season"].nunique(),
        sites=list(rows["site"].unique()),
        figure_block=figure,
    )


def captures_in_words(rows: pd.DataFrame) -> pd.DataFrame:
    """Captures as a table for people: times as hours, estimates with their intervals."""
    import pandas as pd

    shown = pd.DataFrame(index=rows.index)
    for name in _FIRST:
        one_species = name == "species" and rows[name].nunique() == 1
        if name in rows and rows[name].notna().any() and not one_species:
            column = rows[name]
            shown[name] = [_clock(value) for value in column] if name == "time" else column
    for name, heading in _SHARE.items():
        if name in rows and rows[name].notna().any():
            shown[heading] = [_percent(row, name) for row in rows.to_dict("records")]
    if "potential_range_km" in rows and rows["potential_range_km"].notna().any():
        shown["potential range, km"] = [
            _interval(row, "potential_range_km", 1.0) for row in rows.to_dict("records")
        ]
    shown["written in"] = [
        f"{row['file']}, row {row['row']}" for row in rows[["file", "row"]].to_dict("records")
    ]
    return shown.reset_index(drop=True)


def _clock(hours: float) -> str | None:
    if hours != hours:  # noqa: PLR0124  # missing
        return None
    minutes = round(hours * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _percent(row: dict[Any, Any], name: str) -> str | None:
    return _interval(row, name, 100.0)


def _interval(row: dict[Any, Any], name: str, factor: float) -> str | None:
    value = row[name]
    if value != value:  # noqa: PLR0124  # missing
        return None
    shown = _round(value * factor)
    if f"{name}_low" not in row:
        return shown
    low, high = (row[f"{name}_{end}"] * factor for end in ("low", "high"))
    if low != low or high != high:  # noqa: PLR0124  # missing
        return shown
    return f"{shown} ({_round(low)} to {_round(high)})"


def _round(value: float) -> str:
    return f"{round(value) + 0:d}"
