"""Findings in a table that filters; a correction is written from the row it mends."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from phenology.errors import StudyError
from phenology.page.accepted import mark_of, suggested_value
from phenology.page.guard import REMEMBERED_S
from phenology.page.render import address, render
from phenology.quantities import SEVERITIES
from phenology.sheets.kinds import KINDS

if TYPE_CHECKING:
    import pandas as pd
    from starlette.requests import Request

    from phenology.page.desk import Desk
    from phenology.study.study import Study

SHOWN = 50  # findings a page
WHO_COOKIE = "site_support_who"
_OF_HEADINGS = ("converted_unit",)  # told of a heading: no cell to correct
_FILTERS = ("sheet", "severity", "kind")


def show_findings(request: Request) -> Response:
    """The findings that pass the filters, a page at a time."""
    desk = _desk(request)
    study = _opened(desk)
    chosen = {name: request.query_params.get(name, "") for name in (*_FILTERS, "text")}
    rows = filtered(study.findings, chosen)
    pages = max(1, -(-len(rows) // SHOWN))
    page = min(max(1, _whole(request.query_params.get("page", "1"))), pages)
    shown = rows.iloc[(page - 1) * SHOWN : page * SHOWN]
    return render(
        request,
        "findings.html",
        desk=desk,
        room="findings",
        findings=[_shown(row, study) for row in shown.to_dict("records")],
        found=len(rows),
        of=len(study.findings),
        choices={name: sorted(study.findings[name].unique()) for name in _FILTERS}
        | {"severity": [word for word in SEVERITIES if (study.findings["severity"] == word).any()]},
        chosen=chosen,
        kinds=KINDS,
        page=page,
        pages=pages,
        who=_signed(request),
        kept=_kept(request),
    )


def filtered(findings: pd.DataFrame, chosen: dict[str, str]) -> pd.DataFrame:
    """Findings of the sheet, severity and kind asked for, that hold the text anywhere.

    The gravest come first, those that can be mended at once before the others.
    """
    rows = findings
    for name in _FILTERS:
        if chosen[name]:
            rows = rows[rows[name] == chosen[name]]
    if chosen["text"]:
        wanted = chosen["text"].casefold()
        holds = rows.apply(
            lambda row: any(wanted in str(value).casefold() for value in row), axis="columns"
        )
        rows = rows[holds.astype(bool)] if len(rows) else rows
    rank = {word: place for place, word in enumerate(SEVERITIES)}
    grave = rows["severity"].map(rank).astype(int)
    mendable = (rows["suggestion"] != "") & rows["row"].notna()
    order = grave * 2 + (~mendable).astype(int)
    return rows.loc[order.sort_values(kind="stable").index]


def _shown(row: dict[Any, Any], study: Study) -> dict[str, Any]:
    """A finding with what its form needs."""
    number = None if row["row"] != row["row"] else row["row"]  # missing
    can_correct = bool(
        number
        and row["column"]
        and row["kind"] not in _OF_HEADINGS
        and row["sheet"] in study.sheets
        and row["sheet"] != "corrections"
    )
    return {
        **row,
        "row": int(number) if number else None,
        "mark": mark_of(row) if can_correct else "",
        "new": suggested_value(row["suggestion"]),
    }


async def sign(request: Request) -> Response:
    """Remember who decides about corrections in this browser."""
    desk = _desk(request)
    who = str((await request.form())["who"]).strip()[:60]
    answer = RedirectResponse(address(desk.folder.name, "findings", _kept(request)), 303)
    answer.set_cookie(
        WHO_COOKIE, quote(who), httponly=True, samesite="strict", max_age=REMEMBERED_S
    )
    return answer


async def add_correction(request: Request) -> Response:
    """Write one correction, signed and dated, and show the findings anew."""
    desk = _desk(request)
    form = await request.form()
    who = _signed(request)
    if not who:
        raise StudyError("A correction needs a name.", "Say who decides, above the findings.")
    await run_in_threadpool(desk.correct, str(form["finding"]), str(form["new"]), who)
    query = _kept(request) | {"said": "correction"}
    return RedirectResponse(address(desk.folder.name, "findings", query), 303)


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.workspace.desk(request.path_params["study"])
    return desk


def _signed(request: Request) -> str:
    return unquote(request.cookies.get(WHO_COOKIE, "")).strip()


def _kept(request: Request) -> dict[str, str]:
    """The filters and the page that a form was sent from."""
    names = (*_FILTERS, "text", "page")
    asked = {name: request.query_params.get(name, "") for name in names}
    return {name: value for name, value in asked.items() if value}


def _opened(desk: Desk) -> Study:
    checked = desk.check()
    if checked.error is not None:
        raise checked.error
    assert checked.study is not None
    return checked.study


def _whole(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        return 0
