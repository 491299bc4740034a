"""Above the studies: pick one, or begin one."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from phenology.errors import StudyError
from phenology.page.render import address, render
from phenology.quantities import SPECIES_ROLES
from phenology.report.words import plain
from phenology.study.options import FAT_SCALES, parse_options

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.requests import Request

MOST_SPECIES = 8


def show_studies(request: Request) -> Response:
    """The studies of the folder, and a form to begin another; straight on if there is but one."""
    workspace = request.app.state.workspace
    if workspace.is_one_study:
        return RedirectResponse(address(workspace.folder.name), 303)
    return render(
        request,
        "studies.html",
        folder=workspace.folder.name,
        studies=list(workspace.studies()),
        species_rows=range(MOST_SPECIES),
        roles=SPECIES_ROLES,
        scales=FAT_SCALES,
    )


async def begin_study(request: Request) -> Response:
    """Make the study that the form describes."""
    form = {key: str(value) for key, value in (await request.form()).items()}
    settings = settings_text(form)
    workspace = request.app.state.workspace
    name = await run_in_threadpool(workspace.begin, form["name"], settings)
    return RedirectResponse(address(name, "", {"said": "begun"}), 303)


def settings_text(form: Mapping[str, str]) -> str:
    r"""study.toml from the form: name, fat scale, and each species with its role and codes.

    Examples
    --------
    >>> print(settings_text({"name": "Two \"forks\"", "scale": "0-5", "codes0": "RUHU",
    ...     "species0": "Selasphorus rufus", "role0": "passage"}))
    name = "Two \"forks\""
    <BLANKLINE>
    [species]
    "Selasphorus rufus" = { role = "passage", codes = ["RUHU"] }
    <BLANKLINE>
    [fat]
    scale = "0-5"
    <BLANKLINE>
    """
    lines = [f"name = {_toml(form.get('name', ''))}", "", "[species]"]
    declared = {}
    for place in range(MOST_SPECIES):
        species = " ".join(form.get(f"species{place}", "").split())
        if species:
            codes = [code.strip() for code in form.get(f"codes{place}", "").split(",")]
            declared[species] = form.get(f"role{place}", "")
            known = ", ".join(_toml(code) for code in codes if code)
            role = f"role = {_toml(declared[species])}"
            lines.append(
                f"{_toml(species)} = {{ {role}{f', codes = [{known}]' if known else ''} }}"
            )
    if not declared:
        raise StudyError("A study needs a species with its role.", "Name at least one.")
    lines += ["", "[fat]", f"scale = {_toml(form.get('scale', '0-5'))}", ""]
    parse_options(
        {"name": form.get("name", ""), "species": declared, "fat": {"scale": form["scale"]}}
    )
    return "\n".join(lines)


def _toml(text: str) -> str:
    """A string of TOML; JSON's escapes are its own once unseen signs are gone."""
    return json.dumps(plain(text, 200).strip(), ensure_ascii=False)
