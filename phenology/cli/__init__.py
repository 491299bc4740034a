"""The command `site-support`: parses, calls, prints."""

from __future__ import annotations

import sys
from importlib import import_module
from typing import Annotated

import typer

from phenology.cli.shown import complain, kept_log
from phenology.errors import StudyError

app = typer.Typer(
    name="site-support",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _tell_version(asked: bool) -> None:
    if asked:
        from phenology import __version__

        typer.echo(f"migration-site-support {__version__}")
        raise typer.Exit


@app.callback()
def site_support(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_tell_version, is_eager=True, help="Show the version and exit."
        ),
    ] = False,
) -> None:
    """From banding sheets to answers about timing, fuel and site support."""


for _name in ("run", "ahead", "sheets", "weather", "support", "simulate", "page"):
    import_module(f"phenology.cli.{_name}").add_commands(app)


def main() -> None:
    """Run the command; every way it can fail ends in a message and an exit code."""
    from phenology.compute import Defect

    try:
        app(standalone_mode=False)
    except StudyError as error:
        complain(str(error), 2)
    except KeyboardInterrupt:
        complain("Stopped. Former outputs are as they were.", 130)
    except typer.Exit as ended:
        sys.exit(ended.exit_code)
    except typer.Abort:
        complain("Stopped. Former outputs are as they were.", 130)
    except Defect as defect:
        complain(f"This is our defect, not yours. {kept_log(str(defect))}", 3)
    except Exception as error:  # noqa: BLE001  # the last place a defect can be told
        if hasattr(error, "format_message"):
            complain(f"{error.format_message()} Try --help.", 2)
        import traceback

        complain(f"This is our defect, not yours. {kept_log(traceback.format_exc())}", 3)
