"""What the command shows: progress and complaints on standard error, tables on standard output."""

from __future__ import annotations

import sys
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

if TYPE_CHECKING:
    import pandas as pd

    from phenology.compute import Progress

StudyFolder = Annotated[Path, typer.Argument(metavar="STUDY", help="Folder with study.toml.")]


def compute_shown(task: str, *, tell: bool = True, **arguments: Any) -> Any:
    """Run a task in a child process with its progress shown; print what it tells."""
    from phenology.compute import compute

    plain = {
        key: str(value) if isinstance(value, Path) else value for key, value in arguments.items()
    }
    with shown_progress() as progress:
        result = compute(task, progress, **plain)
    for line in result["told"] if tell else ():
        typer.echo(visible(line))
    return result


@contextmanager
def shown_progress() -> Iterator[Progress]:
    """A bar on a terminal; one plain line a step elsewhere; always on standard error."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        told: list[str] = []

        def tell(what: str, _share: float) -> None:
            if what not in told:
                told.append(what)
                sys.stderr.write(visible(what) + "\n")

        yield tell
        return
    columns = (BarColumn(), TextColumn("{task.fields[what]}", markup=False), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        shown = bar.add_task("", total=1.0, what="Starting")
        yield lambda what, share: bar.update(shown, completed=share, what=visible(what))


def print_table(table: pd.DataFrame, title: str = "") -> None:
    """Print a table, fitted to the terminal; cell text is never markup."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    shown = Table(title=Text(title) if title else None, title_justify="left", box=None)
    for column in table.columns:
        numeric = table[column].dtype.kind in "if"
        shown.add_column(Text(str(column)), justify="right" if numeric else "left")
    for row in table.itertuples(index=False):
        shown.add_row(*(Text(visible(_cell(value))) for value in row))
    console = Console()
    if not console.is_terminal:
        console = Console(width=200)
    console.print(shown)


def _cell(value: object) -> str:
    if value is None or value != value:  # noqa: PLR0124  # missing values differ from themselves
        return ""
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def visible(text: str) -> str:
    """Text whose control and direction signs are replaced, so that none reaches the terminal.

    Examples
    --------
    >>> visible("a" + chr(27) + "[2J")
    'a�[2J'
    """
    return "".join("�" if unicodedata.category(sign)[0] == "C" else sign for sign in text)


def complain(message: str, code: int) -> NoReturn:
    """Say what is wrong on standard error and end with this exit code."""
    sys.stderr.write("\n".join(visible(line) for line in message.splitlines()) + "\n")
    sys.exit(code)


def kept_log(text: str) -> str:
    """Keep a traceback in a file of its own and say where it is."""
    import platform
    import tempfile

    from phenology import __version__

    header = f"migration-site-support {__version__}, Python {platform.python_version()}\n"
    with tempfile.NamedTemporaryFile(
        "w", prefix="site-support-", suffix=".log", delete=False, encoding="utf-8"
    ) as log:
        log.write(header + text)
    return f"Please send {log.name}."
