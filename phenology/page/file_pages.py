"""The report and every file of a run, to open and to keep."""

from __future__ import annotations

import io
import zipfile
from typing import TYPE_CHECKING
from urllib.parse import quote

from starlette.responses import Response

from phenology.page.render import render

if TYPE_CHECKING:
    from starlette.requests import Request

    from phenology.page.desk import Desk

# The report carries its own, stricter policy; the sandbox keeps it apart from this page.
REPORT_POLICY = (
    "sandbox allow-scripts allow-downloads allow-modals; default-src 'none'; "
    "script-src 'unsafe-inline'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
)
MEANINGS = {
    "report.html": "the report, one file that opens anywhere",
    "summary.json": "main answers, inputs, versions, seed",
    "captures.parquet": "one row a used capture, with fuel and lean mass",
    "site_days.nc": "effort, captures, bloom and weather by site and day",
    "estimates.nc": "every reported quantity",
    "draws.nc": "draws of all models",
    "draws": "draws of all models of a region",
    "tables/estimates.csv": "every reported quantity, as a table",
    "private/findings.csv": "every doubt about the sheets, with values as written",
    "private/set_aside.csv": "rows that could not be used, as written",
    "private/permit_year.csv": "what a permit office asks for",
    "private/run.log": "what the run did and when",
}


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.workspace.desk(request.path_params["study"])
    return desk


def show_files(request: Request) -> Response:
    """Every file, those fit to share apart from the private ones."""
    desk = _desk(request)
    results = desk.results()
    listed = [
        (
            name,
            MEANINGS.get(name) or MEANINGS.get(name.split("/")[0], ""),
            (results.folder / name).stat().st_size,
        )
        for name in results.files
        if (results.folder / name).is_file()
    ]
    main = [row for row in listed if not row[0].startswith(("tables/", "private/"))]
    return render(
        request,
        "files.html",
        desk=desk,
        room="files",
        changed=results.changed,
        parts=[
            ("Results", "Fit to share: sensitive sites coarsened, no banders, no remarks.", main),
            ("Tables", "What every table and figure of the report shows.",
             [row for row in listed if row[0].startswith("tables/")]),
            ("Private", "With values as written and banders' names: not to be shared.",
             [row for row in listed if row[0].startswith("private/")]),
        ],
    )  # fmt: skip


def show_report(request: Request) -> Response:
    """The report, opened here in a sandbox of its own."""
    content = _desk(request).results().file("report.html").read_bytes()
    headers = {"content-security-policy": REPORT_POLICY}
    return Response(content, media_type="text/html; charset=utf-8", headers=headers)


def send_file(request: Request) -> Response:
    """One file, to keep; only one that the run lists."""
    path = _desk(request).results().file(request.path_params["name"])
    return _kept(path.read_bytes(), path.name)


def send_tables(request: Request) -> Response:
    """All tables in one archive."""
    desk = _desk(request)
    results = desk.results()
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in results.files:
            if name.startswith("tables/"):
                archive.writestr(name, results.file(name).read_bytes())
    return _kept(packed.getvalue(), f"{desk.folder.name}_tables.zip")


def _kept(content: bytes, name: str) -> Response:
    disposition = f"attachment; filename*=UTF-8''{quote(name, safe='')}"
    return Response(
        content,
        media_type="application/octet-stream",
        headers={"content-disposition": disposition},
    )
