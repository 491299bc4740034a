"""The application: routes, limits, and what is said when something cannot be done."""

from __future__ import annotations

import traceback
from contextlib import asynccontextmanager, suppress
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Route

from phenology.errors import StudyError
from phenology.page import (
    begin_pages,
    bird_pages,
    file_pages,
    finding_pages,
    scenario_pages,
    season_pages,
    sheet_pages,
    site_pages,
)
from phenology.page.render import render
from phenology.report.palette import css_variables
from phenology.report.report import VENDORED, script_text

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from starlette.requests import Request

    from phenology.page.workspace import Workspace

LARGEST_FORM = 256 * 1024
LARGEST_UPLOAD = 256 * 1024**2
OWN_ASSETS = ("page.css", "sheets.js", "scenarios.js")
CHART_SCRIPTS = {f"{name.split('/')[-1]}": f"vendor/{name}" for name in VENDORED}


def make_app(workspace: Workspace) -> Starlette:
    """The page of a workspace, without its guard.

    Parameters
    ----------
    workspace : Workspace
        Let go when the server stops.
    """
    study = "/study/{study}"
    reading = [
        ("/", begin_pages.show_studies),
        ("/assets/{name}", show_asset),
        ("/favicon.ico", show_no_icon),
        (study, sheet_pages.show_sheets),
        (f"{study}/settings", sheet_pages.show_settings),
        (f"{study}/run", sheet_pages.show_progress),
        (f"{study}/findings", finding_pages.show_findings),
        (f"{study}/season", season_pages.show_season),
        (f"{study}/scenarios", scenario_pages.show_scenarios),
        (f"{study}/scenarios/rows", scenario_pages.show_rows),
        (f"{study}/birds", bird_pages.show_birds),
        (f"{study}/bird", bird_pages.show_bird),
        (f"{study}/sites", site_pages.show_sites),
        (f"{study}/files", file_pages.show_files),
        (f"{study}/report", file_pages.show_report),
        (f"{study}/tables.zip", file_pages.send_tables),
        (f"{study}/file/{{name:path}}", file_pages.send_file),
    ]
    writing = [
        ("/begin", begin_pages.begin_study, LARGEST_FORM),
        (f"{study}/sheets", sheet_pages.add_sheets, LARGEST_UPLOAD),
        (f"{study}/settings", sheet_pages.save_settings, LARGEST_FORM),
        (f"{study}/start", sheet_pages.start_run, LARGEST_FORM),
        (f"{study}/stop", sheet_pages.stop_run, LARGEST_FORM),
        (f"{study}/sign", finding_pages.sign, LARGEST_FORM),
        (f"{study}/corrections", finding_pages.add_correction, LARGEST_FORM),
    ]
    app = Starlette(
        routes=[
            *(Route(path, shown, max_body_size=0) for path, shown in reading),
            *(
                Route(path, done, methods=["POST"], max_body_size=limit)
                for path, done, limit in writing
            ),
        ],
        exception_handlers={
            StudyError: _tell_error,
            KeyError: _tell_missing,
            HTTPException: _tell_http,
            Exception: _tell_defect,
        },
        lifespan=_lifespan,
    )
    app.state.workspace = workspace
    return app


@asynccontextmanager
async def _lifespan(app: Starlette) -> AsyncIterator[None]:
    yield
    app.state.workspace.close()


def show_asset(request: Request) -> Response:
    """Our own scripts and styles, and the vendored charts."""
    found = _asset(request.path_params["name"])
    if found is None:
        raise HTTPException(404)
    text, kind = found
    return Response(text, media_type=kind)


def show_no_icon(_request: Request) -> Response:
    """Browsers ask for an icon unbidden; there is none, and that is no error."""
    return Response(status_code=204)


@cache
def _asset(name: str) -> tuple[str, str] | None:
    if name == "page.css":
        own = files("phenology.page").joinpath("assets/page.css").read_text(encoding="utf-8")
        shared = files("phenology.report").joinpath("page.css").read_text(encoding="utf-8")
        return css_variables() + shared + own, "text/css"
    if name in OWN_ASSETS:
        folder = files("phenology.page").joinpath("assets")
        return folder.joinpath(name).read_text(encoding="utf-8"), "text/javascript"
    if name == "charts.js":
        return script_text("page.js"), "text/javascript"
    if name in CHART_SCRIPTS:
        return script_text(CHART_SCRIPTS[name]), "text/javascript"
    return None


def _tell_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, StudyError)
    name, desk = request.path_params.get("study", ""), None
    with suppress(KeyError, StudyError):
        desk = request.app.state.workspace.desk(name)
    what, remedy = error.what, error.remedy
    return render(request, "message.html", status=422, desk=desk, what=what, remedy=remedy)


def _tell_missing(request: Request, _error: Exception) -> Response:
    what = "There is no such study, site, band or form field."
    return render(request, "message.html", status=404, what=what, remedy="")


def _tell_http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    what = {
        404: "There is nothing at this address.",
        413: f"That is larger than {LARGEST_UPLOAD // 1024**2} MB, more than is taken here.",
    }.get(error.status_code, error.detail)
    return render(request, "message.html", status=error.status_code, what=what, remedy="")


def _tell_defect(request: Request, error: Exception) -> Response:
    from phenology.cli.shown import kept_log

    log = kept_log("".join(traceback.format_exception(error)))
    what = "This is our defect, not yours. Nothing was changed."
    return render(request, "message.html", status=500, what=what, remedy=log)
