"""A study as the page holds it: one lock, one run, its sheets checked once for every change."""

from __future__ import annotations

import hashlib
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from filelock import FileLock, Timeout

from phenology.errors import StudyError
from phenology.page.accepted import (
    CORRECTIONS,
    append_correction,
    correction_of,
    mark_of,
    replace_file,
)
from phenology.page.dropped import BUILDING
from phenology.page.job import RunJob

if TYPE_CHECKING:
    from phenology.page.results import Results
    from phenology.study.study import Study

Fingerprint = tuple[tuple[str, int, int], ...]
SETTINGS = "study.toml"


@dataclass(frozen=True)
class Checked:
    """The study as its sheets now are, or why it cannot be opened."""

    study: Study | None
    error: StudyError | None


class Desk:
    """Everything the page does with one study.

    Parameters
    ----------
    folder : Path
        Resolved.
    address : str
        Of this page, told to whoever opens the study a second time.

    Raises
    ------
    StudyError
        If another page has the study open.
    """

    def __init__(self, folder: Path, address: str) -> None:
        self.folder = folder
        self.job = RunJob(folder)
        self._hold = hold_study(folder, address)
        _remove_leftovers(folder)
        self._writing = threading.Lock()
        self._checking = threading.Lock()
        self._checked: tuple[Fingerprint, Checked] | None = None
        self._results: tuple[int, Results] | None = None

    def close(self) -> None:
        """Stop what runs and let the study go."""
        self.job.stop()
        with suppress(OSError):
            Path(self._hold.lock_file).with_suffix(".address").unlink()
        self._hold.release()

    @property
    def name(self) -> str:
        """The study's name, or its folder's while it has none that can be read."""
        from phenology.study.options import read_options

        try:
            return read_options(self.folder / SETTINGS).name
        except StudyError:
            return self.folder.name

    def check(self) -> Checked:
        """Open the study anew if a file in it has changed since."""
        from phenology.study.study import open_study

        with self._checking:
            now = _fingerprint(self.folder)
            if self._checked is None or self._checked[0] != now:
                try:
                    checked = Checked(open_study(self.folder), None)
                except StudyError as error:
                    checked = Checked(None, error)
                self._checked = (now, checked)
            return self._checked[1]

    def results(self) -> Results:
        """The finished run.

        Raises
        ------
        StudyError
            If there is none that can be read.
        """
        from phenology.page.results import Results, written_at

        with self._checking:
            stamp = written_at(self.folder)
            if self._results is None or self._results[0] != stamp:
                self._results = (stamp, Results(self.folder))
            return self._results[1]

    def correct(self, mark: str, new: str, who: str) -> None:
        """Add a correction of the cell that a finding is about.

        Parameters
        ----------
        mark : str
            Of the finding, from `phenology.page.accepted.mark_of`.
        new, who : str
            What the cell should say, and who decides.

        Raises
        ------
        StudyError
            If there is no such finding now, or the file cannot be written.
        """
        with self._writing:
            study = self.check().study
            rows = study.findings.to_dict("records") if study else []
            found = next((row for row in rows if mark_of(row) == mark), None)
            if study is None or found is None:
                raise StudyError(
                    "That cell is no longer in doubt, or no longer says what it said.",
                    "Look at the findings again: it may have been corrected in another tab.",
                )
            append_correction(self.folder, correction_of(found, study, new, who))

    def write_settings(self, text: str) -> None:
        """Replace study.toml, once it has been read without an error."""
        import tomllib

        from phenology.study.options import parse_options

        text = text.replace("\r\n", "\n")
        try:
            parse_options(tomllib.loads(text))
        except tomllib.TOMLDecodeError as error:
            raise StudyError(
                f"study.toml is not valid TOML: {error}.", "It was left as it was."
            ) from None
        with self._writing:
            try:
                replace_file(self.folder / SETTINGS, text.encode())
            except OSError as error:
                raise StudyError(
                    f"{SETTINGS} cannot be written: {error.strerror or error}.",
                    "It was left as it was.",
                ) from None


def hold_study(folder: Path, address: str) -> FileLock:
    """Hold a study for one page, by a lock outside the study's folder.

    Raises
    ------
    StudyError
        If another page holds it; the message says where that one is.
    """
    from platformdirs import user_cache_path

    place = user_cache_path("migration-site-support") / "open"
    name = hashlib.sha256(str(folder).encode()).hexdigest()[:24]
    lock, told = FileLock(place / f"{name}.lock", thread_local=False), place / f"{name}.address"
    try:
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
        lock.acquire(timeout=0)
        told.write_text(address)
    except Timeout:
        other = told.read_text() if told.exists() else "another address"
        raise StudyError(
            f"This study is open already, at {other}.",
            "Go on there, or stop that page with Ctrl-C in its terminal.",
        ) from None
    except OSError as error:
        lock.release()
        raise StudyError(
            f"{place} cannot be written: {error.strerror or error}.",
            "The page notes there which studies are open. Free space, or see that you may write.",
        ) from None
    return lock


def _remove_leftovers(folder: Path) -> None:
    """Files that a page was writing when it was killed; the ones they were to replace stand."""
    for begins in (BUILDING, f".{CORRECTIONS}-", f".{SETTINGS}-"):
        for leftover in folder.glob(f"{begins}*"):
            with suppress(OSError):  # a folder that may only be read can still be looked at
                leftover.unlink()


def _fingerprint(folder: Path) -> Fingerprint:
    """Name, size and time of every file that may be read."""
    from phenology.study.files import sheet_files

    paths = [folder / SETTINGS, *sheet_files(folder)]
    return tuple(
        (path.name, path.stat().st_size, path.stat().st_mtime_ns)
        for path in paths
        if path.is_file()
    )
