"""What a permit's yearly report asks for, counted from the sheets."""

from __future__ import annotations

import pandas as pd

from phenology.errors import StudyError
from phenology.quantities import CAPTURES
from phenology.study.study import Study

COLUMNS = ("part", "species", "age", "sex", "item", "unit", "value")


def permit_year(study: Study, year: int) -> pd.DataFrame:
    """Count a calendar year for the permit.

    Parameters
    ----------
    study : Study
    year : int

    Returns
    -------
    pandas.DataFrame
        part (bands, captures, incidents, effort, banders), species, age, sex, item, unit,
        value. Private: it names banders.

    Raises
    ------
    StudyError
        If the study has no captures in that year.
    """
    captures = study.captures[study.captures["date"].dt.year == year]
    if captures.empty:
        years = sorted(study.captures["date"].dt.year.unique())
        raise StudyError(
            f"The study has no captures in {year}.",
            f"It has them in {', '.join(str(known) for known in years)}.",
        )
    parts = [
        _bands(captures),
        _captures(captures),
        _incidents(captures),
        _effort(study, year),
        _banders(captures),
    ]
    return pd.concat(parts, ignore_index=True)


def permit_years(study: Study) -> pd.DataFrame:
    """Every calendar year with captures, one below the other, under a column year."""
    years = sorted(study.captures["date"].dt.year.unique())
    tables = [permit_year(study, int(year)).assign(year=int(year)) for year in years]
    return pd.concat(tables, ignore_index=True)[["year", *COLUMNS]]


def _rows(part: str, rows: list[dict[str, object]]) -> pd.DataFrame:
    empty = dict.fromkeys(COLUMNS, "") | {"part": part}
    table = pd.DataFrame([empty | row for row in rows], columns=list(COLUMNS))
    return table.astype(dict.fromkeys(COLUMNS, "str") | {"value": float})


def _bands(captures: pd.DataFrame) -> pd.DataFrame:
    put_on = captures["capture"].isin(["new", "band_replaced"]) & captures["band"].notna()
    sizes = captures["band_size"].fillna("size not noted")
    rows = [
        {"item": f"bands used, {size}", "unit": "bands", "value": int(count)}
        for size, count in sizes[put_on].value_counts().sort_index().items()
    ]
    lost = captures["capture"] == "band_lost"
    destroyed = lost & captures["remarks"].fillna("").str.contains("destroy", case=False)
    rows.append({"item": "bands destroyed", "unit": "bands", "value": int(destroyed.sum())})
    rows.append({"item": "bands lost", "unit": "bands", "value": int((lost & ~destroyed).sum())})
    return _rows(
        "bands", [{"item": "bands used", "unit": "bands", "value": int(put_on.sum())}, *rows]
    )


def _captures(captures: pd.DataFrame) -> pd.DataFrame:
    kinds = captures["capture"].fillna("not noted")
    classes = captures[["species", "age", "sex"]].fillna("unknown")
    counts = classes.assign(item=kinds).value_counts(sort=False).reset_index(name="value")
    order = {name: place for place, name in enumerate(CAPTURES)}
    counts["order"] = counts["item"].map(order).fillna(len(order))
    counts = counts.sort_values(["species", "age", "sex", "order"]).drop(columns="order")
    return _rows("captures", counts.assign(unit="captures").to_dict("records"))


def _incidents(captures: pd.DataFrame) -> pd.DataFrame:
    hurt = captures[captures["released"].isin(["injured", "died"])]
    causes = hurt["incident"].fillna("cause not noted")
    items = hurt["released"].str.cat(causes, sep=", ")
    counts = hurt[["species"]].assign(item=items).value_counts().reset_index(name="value")
    totals: list[dict[str, object]] = [
        {"item": state, "unit": "birds", "value": int((captures["released"] == state).sum())}
        for state in ("injured", "died")
    ]
    return _rows("incidents", totals + counts.assign(unit="birds").to_dict("records"))


def _effort(study: Study, year: int) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    effort = study.effort
    if effort is not None:
        sessions = effort[effort["date"].dt.year == year]
        hours = (sessions["close"] - sessions["open"]) * sessions["traps"].fillna(1)
        for (site, method), group in sessions.groupby(
            ["site", sessions["method"].fillna("trap or net")]
        ):
            held = hours.loc[group.index]
            rows += [
                {
                    "item": f"{site}, {method}: days",
                    "unit": "days",
                    "value": group["date"].nunique(),
                },
                {
                    "item": f"{site}, {method}: effort",
                    "unit": f"{method}-hours",
                    "value": held.sum(),
                },
            ]
            if held.isna().any():
                item = f"{site}, {method}: sessions without hours"
                rows.append({"item": item, "unit": "sessions", "value": int(held.isna().sum())})
    return _rows("effort", rows)


def _banders(captures: pd.DataFrame) -> pd.DataFrame:
    counts = captures["bander"].fillna("not noted").value_counts()
    return _rows(
        "banders",
        [{"item": str(name), "unit": "birds", "value": int(n)} for name, n in counts.items()],
    )
