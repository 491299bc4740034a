"""Pages from templates; every text from a sheet is escaped and its unseen signs made visible."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, urlencode

from starlette.responses import HTMLResponse

from phenology.report.content import Figure
from phenology.report.report import figure_json
from phenology.report.words import plain

if TYPE_CHECKING:
    from collections.abc import Mapping

    from jinja2 import Environment
    from starlette.requests import Request

    from phenology.page.desk import Desk

ROOMS = {
    "": "Sheets",
    "findings": "Findings",
    "season": "Season",
    "scenarios": "Scenarios",
    "birds": "Birds",
    "sites": "Sites",
    "files": "Files",
}

# What a form did, told on the page that follows it.
SAID = {
    "correction": "The correction stands in corrections.csv. The sheets are as they were.",
    "sheets": "The sheets are in the study.",
    "settings": "study.toml is saved.",
    "begun": "The study is made. Put its sheets in.",
    "running": "A run is under way already.",
}


def address(study: str, room: str = "", query: Mapping[str, object] | None = None) -> str:
    """Address of a room of a study.

    Examples
    --------
    >>> address("four stations", "season", {"site": "a&b"})
    '/study/four%20stations/season?site=a%26b'
    """
    path = f"/study/{quote(study, safe='')}" + (f"/{room}" if room else "")
    return path + (f"?{urlencode(dict(query))}" if query else "")


def render(
    request: Request,
    template: str,
    *,
    status: int = 200,
    desk: Desk | None = None,
    room: str | None = None,
    **context: Any,
) -> HTMLResponse:
    """Answer with a page.

    Parameters
    ----------
    request : Request
    template : str
        Of phenology/page/templates.
    status : int
    desk : Desk, optional
        The study shown; without it the page stands above the studies.
    room : str, optional
        Which room of the study it is.
    **context
        What the template asks for.
    """
    html = (
        _environment()
        .get_template(template)
        .render(
            study=desk.folder.name if desk else "",
            study_name=desk.name if desk else "",
            one_study=request.app.state.workspace.is_one_study,
            room=room,
            rooms=ROOMS,
            said=SAID.get(request.query_params.get("said", ""), ""),
            job=desk.job.state.shown() if desk else None,
            **context,
        )
    )
    return HTMLResponse(html, status)


def chart_json(figure: Figure) -> Any:
    """A figure's specification, safe inside a script element."""
    from markupsafe import Markup

    return Markup(figure_json(figure.chart))  # noqa: S704  # escaped by figure_json


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    folder = files("phenology.page").joinpath("templates")
    environment = Environment(
        loader=FunctionLoader(lambda name: folder.joinpath(name).read_text(encoding="utf-8")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["plain"] = plain
    environment.globals.update(address=address, chart_json=chart_json)
    return environment
