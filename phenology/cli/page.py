"""`site-support serve`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer


def add_commands(app: typer.Typer) -> None:
    """Add the commands of this file."""
    app.command()(serve)


def serve(
    study: Annotated[
        Path,
        typer.Argument(metavar="[STUDY]", help="A study, or a folder of studies. Default: here."),
    ] = Path(),
    port: Annotated[int, typer.Option(help="0 takes a free one.", min=0, max=65535)] = 0,
) -> None:
    """Work on studies in the browser, served to this machine alone.

    Example: site-support serve data_examples/four_stations
    """
    from phenology.page.serve import serve as serve_page

    serve_page(study, port, _tell)


def _tell(address: str) -> None:
    """Print an address alone on its line, so that it can be copied whole, also from a pipe."""
    sys.stdout.write(address + "\n")
    sys.stdout.flush()
