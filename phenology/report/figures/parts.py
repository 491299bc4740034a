"""What the figures share: the axis of days, the scales of roles, named data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

import altair as alt
import numpy as np
import pandas as pd

from phenology.report.palette import DASHES, ROLE_ORDER, SHAPES, light, theme
from phenology.report.words import calendar_day, day_words, plain, season_year

if TYPE_CHECKING:
    from collections.abc import Iterable

ChartT = TypeVar("ChartT", alt.FacetChart, alt.LayerChart)

WIDTH = 640  # of a panel in a notebook; the report fits it to the page
LABEL_LIMIT = 60  # characters of a site, group or plant in a figure


def data(name: str) -> alt.Chart:
    """A chart on one of the named data sets of the finished figure.

    In panels only a layer without data of its own is split; one made here stands in each panel.
    """
    return alt.Chart(alt.NamedData(name))


def finish(chart: ChartT, **datasets: pd.DataFrame) -> ChartT:
    """Give a figure its data and its looks."""
    themed: ChartT = chart.configure(**theme())
    # Set plainly: through a method Altair would check every row against its schema.
    themed.datasets = {name: records(table) for name, table in datasets.items()}
    return themed


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as plain values: four significant digits, text made safe to show, dates as ISO days."""
    shown = pd.DataFrame(index=table.index)
    for name, column in table.items():
        if pd.api.types.is_bool_dtype(column.dtype):
            shown[name] = column.astype(object)
        elif pd.api.types.is_datetime64_any_dtype(column.dtype):
            shown[name] = column.dt.strftime("%Y-%m-%d").astype(object)
        elif pd.api.types.is_integer_dtype(column.dtype):
            shown[name] = column.astype(object)
        elif pd.api.types.is_numeric_dtype(column.dtype):
            shown[name] = _rounded(column).astype(object)
        else:
            shown[name] = [
                None if missing else plain(value, LABEL_LIMIT)
                for value, missing in zip(column.astype(object), column.isna(), strict=True)
            ]
    rows: list[dict[str, Any]] = shown.astype(object).where(shown.notna(), None).to_dict("records")
    return rows


def _rounded(column: pd.Series[float]) -> pd.Series[float]:
    values = column.astype(float)
    size = np.floor(np.log10(values.abs().where(values.abs() > 0, 1.0)))
    step = 10.0 ** np.maximum(3 - size, 0)
    return (values * step).round() / step


FRONT = "isValid(datum.date)"  # rows of `front_and_behind` that belong to the season in front


def front_and_behind(rows: pd.DataFrame, season: str, step: int, thin_step: int) -> pd.DataFrame:
    """Daily rows of one season, then those of the others, thinner and without interval or date.

    What only the front needs stands first, so that the report holds it without the gaps.
    """
    since = rows["day"] - rows["day"].min()
    front = rows[(rows["season"] == season) & (since % step == 0)]
    dates = [day_words(day, season) for day in front["day"]]
    behind = rows[(rows["season"] != season) & (since % thin_step == 0)]
    behind = behind.drop(columns=["low", "high"])
    return pd.concat([front.assign(date=dates), behind], ignore_index=True)


def shown_names(names: Iterable[str]) -> list[str]:
    """Names as the data of a figure hold them, for an order or a domain."""
    return [plain(name, LABEL_LIMIT) for name in names]


def day_axis(first: float, last: float, season: str | int = "") -> alt.Axis:
    """Days of the year, written as dates: the 1st and the 15th of each month."""
    days = range(int(np.floor(first)), int(np.ceil(last)) + 1)
    marked = [float(day) for day in days if calendar_day(day, season).day in (1, 15)]
    if len(marked) > 8:
        marked = [day for day in marked if calendar_day(day, season).day == 1]
    return alt.Axis(
        values=marked,
        labelExpr=f"timeFormat(datetime({season_year(season)}, 0, datum.value), '%-d %b')",
        title=None,
        grid=True,
        ticks=True,
        labelFlush=True,
    )


def day_scale(first: float, last: float) -> alt.Scale:
    """Scale of days from the first to the last, with a day of room."""
    return alt.Scale(domain=[float(first) - 1, float(last) + 1], nice=False, zero=False)


def roles_of(table: pd.DataFrame) -> list[str]:
    """Roles in a table, in their fixed order; a row without a role counts as mixed."""
    present = set(table["role"])
    return [role for role in ROLE_ORDER if role in present]


def with_role(table: pd.DataFrame) -> pd.DataFrame:
    """A table whose role column holds only the three words."""
    role = table["role"].where(table["role"].isin(ROLE_ORDER), "mixed")
    return table.assign(role=role)


def _legend(symbol: str | None) -> alt.Legend | None:
    if symbol == "none":
        return None
    if symbol == "stroke":
        return alt.Legend(symbolOpacity=1, symbolType="stroke")
    # A filled mark beside dashed lines: its own outline would be dashed as well.
    return alt.Legend(symbolOpacity=1, symbolStrokeWidth=0 if symbol == "filled" else alt.Undefined)


def role_colour(roles: Iterable[str], *, symbol: str | None = None) -> alt.Color:
    """Hue by role, the same in every figure."""
    roles = list(roles)
    return alt.Color(
        "role:N",
        title=None,
        scale=alt.Scale(domain=roles, range=[light(role) for role in roles]),
        legend=_legend(symbol),
    )


def role_dash(roles: Iterable[str], *, symbol: str | None = None) -> alt.StrokeDash:
    """Line style by role."""
    roles = list(roles)
    return alt.StrokeDash(
        "role:N",
        title=None,
        scale=alt.Scale(domain=roles, range=list[Any](DASHES[role] for role in roles)),
        legend=_legend(symbol),
    )


def role_shape(roles: Iterable[str], *, symbol: str | None = None) -> alt.Shape:
    """Shape of a point by role."""
    roles = list(roles)
    return alt.Shape(
        "role:N",
        title=None,
        scale=alt.Scale(domain=roles, range=[SHAPES[role] for role in roles]),
        legend=_legend(symbol),
    )


def layered(name: str, *layers: alt.Chart, height: float | dict[str, float]) -> alt.LayerChart:
    """Layers on the data set of that name, as wide as a figure."""
    return alt.LayerChart(layer=list(layers), data=alt.NamedData(name), width=WIDTH, height=height)


def panels(
    chart: alt.Chart | alt.LayerChart, field: str, order: list[str], own: tuple[str, ...] = ()
) -> alt.FacetChart:
    """Stack panels, each under its heading; `own` names the scales not shared between them."""
    split: alt.FacetChart = chart.facet(
        facet=alt.Facet(
            f"{field}:N",
            title=None,
            sort=shown_names(order),
            header=alt.Header(labelOrient="top", labelAnchor="start", labelPadding=4),
        ),
        columns=1,
        spacing=14,
    )
    split.resolve = alt.Resolve(scale=dict.fromkeys(own, "independent"))
    return split
