"""A study's sheets: what lies there, dropping more in, its settings, and running it."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.responses import JSONResponse, RedirectResponse, Response

from phenology.errors import StudyError
from phenology.page.desk import SETTINGS, Desk
from phenology.page.dropped import MOST_FILES, READ_HERE, add_files
from phenology.page.render import address, render
from phenology.page.results import written_at
from phenology.sheets.contract import sheet_contracts
from phenology.study.files import kind_of_name, sheet_files

if TYPE_CHECKING:
    from starlette.requests import Request


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.workspace.desk(request.path_params["study"])
    return desk


def show_sheets(request: Request) -> Response:
    """Files with their kinds, rows used, and the run."""
    desk = _desk(request)
    checked = desk.check()
    contracts = sheet_contracts()
    return render(
        request,
        "sheets.html",
        desk=desk,
        room="",
        files=[(path.name, kind_of_name(path.stem) or "by its tabs", path.stat().st_size)
               for path in sheet_files(desk.folder)],
        rows=checked.study.rows if checked.study else {},
        findings=len(checked.study.findings) if checked.study else 0,
        error=checked.error,
        kinds=list(contracts),
        accepted=",".join(READ_HERE),
        finished=_finished(desk),
    )  # fmt: skip


def _finished(desk: Desk) -> dict[str, object] | None:
    """When the finished run was made and whether it is of these sheets; None without one."""
    try:
        changed = desk.results().changed
    except StudyError:
        return None
    made = datetime.fromtimestamp(written_at(desk.folder) / 1e9).astimezone()
    return {"made": f"{made.day} {made:%B %Y, %H:%M}", "changed": changed}


async def add_sheets(request: Request) -> Response:
    """Take dropped files into the study, all or none."""
    desk = _desk(request)
    async with request.form(max_files=MOST_FILES, max_fields=MOST_FILES) as form:
        dropped = [
            (item.filename or "", item.file)
            for item in form.getlist("sheets")
            if isinstance(item, UploadFile) and item.filename
        ]
        kind, replacing = str(form.get("kind", "")), form.get("replace") == "yes"
        await run_in_threadpool(add_files, desk.folder, dropped, kind, replacing=replacing)
    return RedirectResponse(address(desk.folder.name, "", {"said": "sheets"}), 303)


def show_settings(request: Request) -> Response:
    """study.toml, to be changed."""
    desk = _desk(request)
    text = (desk.folder / SETTINGS).read_text(encoding="utf-8-sig", errors="replace")
    return render(request, "settings.html", desk=desk, room="settings", text=text, error=None)


async def save_settings(request: Request) -> Response:
    """Save study.toml if it can be read; else show it again with the reason."""
    desk = _desk(request)
    form = await request.form()
    text = str(form["text"])
    try:
        await run_in_threadpool(desk.write_settings, text)
    except StudyError as error:
        return render(
            request,
            "settings.html",
            status=422,
            desk=desk,
            room="settings",
            text=text,
            error=error,
        )
    return RedirectResponse(address(desk.folder.name, "", {"said": "settings"}), 303)


def show_progress(request: Request) -> Response:
    """How far the run is, for the browser to ask again and again."""
    return JSONResponse(_desk(request).job.state.shown())


def start_run(request: Request) -> Response:
    """Start a run, or say that there is one."""
    desk = _desk(request)
    said = {} if desk.job.start() else {"said": "running"}
    return RedirectResponse(address(desk.folder.name, "", said), 303)


def stop_run(request: Request) -> Response:
    """Stop the run; former results stay."""
    desk = _desk(request)
    desk.job.stop()
    return RedirectResponse(address(desk.folder.name), 303)
