"""The command: parses, calls, prints."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from phenology.errors import StudyError

app = typer.Typer(
    name="site-support",
    help="From banding sheets to answers about timing, fuel and site support.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

StudyFolder = Annotated[Path, typer.Argument(metavar="STUDY", help="Folder with study.toml.")]


@app.command()
def run(
    study: StudyFolder,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the output. Default: STUDY/results.")
    ] = None,
    seed: Annotated[int | None, typer.Option(help="Overrides study.toml.", min=0)] = None,
    jobs: Annotated[int, typer.Option(help="Models fitted at once.", min=1)] = 2,
) -> None:
    """Findings, models and report.

    Example: site-support run data_examples/four_stations --out report
    """
    with _shown_progress() as progress:
        result = _compute("run", progress, study=study, out=out, seed=seed, jobs=jobs)
    for line in result["told"]:
        typer.echo(line)
    typer.echo(f"Report: {result['report']}")


def _compute(task: str, progress: Any, **arguments: Any) -> Any:
    from phenology.compute import compute

    plain = {
        key: str(value) if isinstance(value, Path) else value for key, value in arguments.items()
    }
    return compute(task, progress, **plain)


@contextmanager
def _shown_progress() -> Iterator[Any]:
    """A bar on a terminal; one plain line a step elsewhere; always on standard error."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
    from rich.text import Text

    console = Console(stderr=True)
    if not console.is_terminal:
        told: list[str] = []

        def tell(what: str, _share: float) -> None:
            if what not in told:
                told.append(what)
                sys.stderr.write(what + "\n")

        yield tell
        return
    columns = (BarColumn(), TextColumn("{task.fields[what]}", markup=False), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        shown = bar.add_task("", total=1.0, what=Text("Starting"))
        yield lambda what, share: bar.update(shown, completed=share, what=Text(what))


def main() -> None:
    """Run the command; every way it can fail ends in a message and an exit code."""
    from phenology.compute import Defect

    try:
        app(standalone_mode=False)
    except StudyError as error:
        _complain(f"{error}", 2)
    except KeyboardInterrupt:
        _complain("Stopped. Former outputs are as they were.", 130)
    except typer.Exit as ended:
        sys.exit(ended.exit_code)
    except Defect as defect:
        _complain(f"This is our defect, not yours. {_kept_log(str(defect))}", 3)
    except Exception as error:  # noqa: BLE001  # the last place a defect can be told
        if hasattr(error, "format_message"):
            _complain(f"{error.format_message()} Try --help.", 2)
        import traceback

        _complain(f"This is our defect, not yours. {_kept_log(traceback.format_exc())}", 3)


def _complain(message: str, code: int) -> None:
    import unicodedata

    shown = "".join(
        sign if sign == "\n" or unicodedata.category(sign)[0] != "C" else "�" for sign in message
    )
    sys.stderr.write(shown + "\n")
    sys.exit(code)


def _kept_log(text: str) -> str:
    import platform
    import tempfile

    from phenology import __version__

    header = f"migration-site-support {__version__}, Python {platform.python_version()}\n"
    with tempfile.NamedTemporaryFile(
        "w", prefix="site-support-", suffix=".log", delete=False, encoding="utf-8"
    ) as log:
        log.write(header + text)
    return f"Please send {log.name}."
