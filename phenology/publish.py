"""Output is built beside its place and swapped in whole, under a lock."""

from __future__ import annotations

import ctypes
import json
import os
import shutil
import sys
import tempfile
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from filelock import FileLock, Timeout

from phenology.errors import StudyError

if TYPE_CHECKING:
    from collections.abc import Iterator

MANIFEST = "summary.json"  # its key `files` lists what we wrote, and so what we may replace


@contextmanager
def publish(out: Path) -> Iterator[Path]:
    """Yield a folder to fill; on leaving without an error it takes the place of `out`.

    Files in `out` that a former run did not write are carried over. A process killed at any
    moment leaves the former output as it was.

    Raises
    ------
    StudyError
        If `out` holds something other than our output, cannot be written, or is being
        written by another run.
    """
    out = Path(os.path.abspath(out))  # noqa: PTH100  # resolve() would follow a link at out itself
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(out.parent / f".{out.name}.lock", timeout=0)
        lock.acquire()
    except Timeout:
        raise StudyError(
            f"Another run is writing {out}.", "Wait for it, or choose another --out."
        ) from None
    except OSError as error:
        raise _unwritable(out, error) from None
    try:
        _remove_leftovers(out)
        former = _former_files(out)
        build = Path(tempfile.mkdtemp(prefix=f".{out.name}-building-", dir=out.parent))
        try:
            build.chmod(0o755)
            yield build
            _carry_over(out, build, former)
            _swap(build, out)
        finally:
            shutil.rmtree(build, ignore_errors=True)
    except OSError as error:
        raise _unwritable(out, error) from None
    finally:
        with suppress(OSError):  # while it is still ours; a system may refuse to unlink it
            Path(lock.lock_file).unlink()
        lock.release()


def _unwritable(out: Path, error: OSError) -> StudyError:
    reason = error.strerror or str(error)
    return StudyError(
        f"{out} cannot be written: {reason}.",
        "Nothing was changed. Free space or choose another folder with --out.",
    )


def _remove_leftovers(out: Path) -> None:
    """What a killed run left: a half-built folder, or a former output moved aside."""
    aside = out.with_name(f".{out.name}-former")
    if aside.exists() and not out.exists():
        aside.rename(out)
    shutil.rmtree(aside, ignore_errors=True)
    for leftover in out.parent.glob(f".{out.name}-building-*"):
        shutil.rmtree(leftover, ignore_errors=True)


def _former_files(out: Path) -> set[str]:
    """The files that a former run wrote here; refuses a folder that is not ours."""
    if not out.exists():
        return set()
    if not out.is_dir():
        raise StudyError(f"{out} is a file, not a folder.", "Choose another --out.")
    if not any(out.iterdir()):
        return set()
    try:
        return set(json.loads((out / MANIFEST).read_text(encoding="utf-8"))["files"])
    except (OSError, ValueError, KeyError, TypeError):
        raise StudyError(
            f"{out} holds files that no run wrote.",
            "Choose an empty or new folder with --out, so that nothing of yours is replaced.",
        ) from None


def _carry_over(out: Path, build: Path, former: set[str]) -> None:
    if not out.exists():
        return
    for path in sorted(out.rglob("*")):
        name = path.relative_to(out).as_posix()
        if path.is_file() and name not in former and not (build / name).exists():
            (build / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, build / name)


def _swap(build: Path, out: Path) -> None:
    if not out.exists():
        build.rename(out)
        return
    if not _exchange(build, out):
        aside = out.with_name(f".{out.name}-former")
        out.rename(aside)
        build.rename(out)
        shutil.rmtree(aside, ignore_errors=True)


def _exchange(first: Path, second: Path) -> bool:
    """Swap two folders in one step where the system can (Linux); else say no."""
    if not sys.platform.startswith("linux"):
        return False
    at_working_folder, exchange = -100, 2  # AT_FDCWD and RENAME_EXCHANGE of renameat2(2)
    with suppress(OSError, AttributeError):
        rename = ctypes.CDLL(None).renameat2
        return bool(
            rename(
                at_working_folder,
                os.fsencode(first),
                at_working_folder,
                os.fsencode(second),
                exchange,
            )
            == 0
        )
    return False
