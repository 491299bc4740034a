"""Intervals of many estimates laid out in panels that a page can hold."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from phenology.report import figures
from phenology.report.content import Figure
from phenology.report.tables import is_one_season, role_of

if TYPE_CHECKING:
    from phenology.study.options import StudyOptions

MOST_PANELS = 8  # groups drawn, those with most birds; the table and tables/*.csv hold all
MOST_LABELS = 16  # rows of a panel; older seasons go first
PAGE_PX = 860  # height of a figure that a printed page shows at nearly its full size


def panelled(rows: pd.DataFrame, options: StudyOptions) -> pd.DataFrame:
    """Rows with a panel and a label each, as many as a reader can take in.

    Groups head panels, else plants, else sites; what is left names the row. A group without a
    role of its own takes its species', so that its hue is the usual one.
    """
    filled = rows.copy()
    keys = ["site", "season", "day", "group", "plant", "role", "definition", "scenario"]
    for column in keys:
        if column not in filled:
            filled[column] = ""
    subjects = zip(filled["role"], filled["group"], filled["site"], strict=True)
    filled["role"] = [
        role or (role_of(group, site, options) if group else "") for role, group, site in subjects
    ]
    head = next((name for name in ("group", "plant") if filled[name].any()), "site")
    filled["panel"] = filled[head].replace("", "all")
    most = filled.groupby("panel")["birds"].sum().nlargest(MOST_PANELS).index
    parts = [name for name in ("site", "definition", "season", "day", "scenario") if name != head]
    filled = _newest(filled[filled["panel"].isin(most)], parts)
    filled["label"] = [
        " ".join(str(part) for part in row if part) or "all sites and years"
        for row in filled[parts].itertuples(index=False)
    ]
    return filled


def _newest(rows: pd.DataFrame, parts: list[str]) -> pd.DataFrame:
    """Rows of the newest seasons, as many as fit, and those of no single season."""
    single = is_one_season(rows["season"])
    seasons = sorted(rows.loc[single, "season"].unique(), reverse=True)
    if not seasons:
        return rows
    labels = rows[parts].drop_duplicates()
    each = max(1, round(len(labels) / len(seasons)))
    return rows[rows["season"].isin(seasons[: max(1, MOST_LABELS // each)]) | ~single]


def interval_figures(
    rows: pd.DataFrame,
    name: str,
    title: str,
    caption: str,
    none: float | None = None,
    number_format: str = ",.6~g",
    in_days: bool = False,
) -> list[Figure]:
    """Intervals in panels, as many a figure as a page holds."""
    return [
        Figure(
            f"{name}-{page}",
            figures.draw_intervals(
                rows[rows["panel"].isin(heads)],
                "panel",
                "label",
                title,
                span=_reach(rows, none),
                none=none,
                number_format=number_format,
                in_days=in_days,
            ),
            caption if page == 0 else f"{caption.partition(':')[0]}, continued.",
        )
        for page, heads in enumerate(filled_pages(figures.ladder_px(rows, "panel", "label")))
    ]


def _reach(rows: pd.DataFrame, none: float | None) -> tuple[float, float]:
    """What the axis of every page covers, so that pages compare."""
    bounds = [rows["low"].min(), rows["high"].max(), *([] if none is None else [none])]
    return float(min(bounds)), float(max(bounds))


def pages(names: pd.Series[str], height_px: int) -> list[list[str]]:
    """Panels shared out over figures, so that each fits a printed page and stays readable."""
    ordered = sorted(names.unique())
    most = max(1, PAGE_PX // height_px)
    return [ordered[start : start + most] for start in range(0, len(ordered), most)]


def filled_pages(heights_px: pd.Series[int]) -> list[list[str]]:
    """Panels of unlike heights shared out over figures in their order.

    Examples
    --------
    >>> filled_pages(pd.Series({"fork": 500, "mesa": 300, "weir": 200}))
    [['fork', 'mesa'], ['weir']]
    """
    shared: list[list[str]] = []
    used = PAGE_PX
    for head, height in heights_px.items():
        if used + height > PAGE_PX or not shared:
            shared.append([])
            used = 0
        shared[-1].append(str(head))
        used += height
    return shared
