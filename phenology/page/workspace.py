"""The studies that a page may open: one, or those that lie in a folder."""

from __future__ import annotations

import re
import threading
from pathlib import Path

from phenology.errors import StudyError
from phenology.page.desk import SETTINGS, Desk


class Workspace:
    """What `site-support serve` was given: a study, or a folder of studies.

    Parameters
    ----------
    folder : Path
        Has study.toml, or holds folders that do.
    address : str
        Of the page.

    Raises
    ------
    StudyError
        If it is no folder, or is a study that another page has open.
    """

    def __init__(self, folder: Path, address: str) -> None:
        if not folder.is_dir():
            raise StudyError(
                f"{folder} is no folder.", "Make a study with 'site-support new FOLDER'."
            )
        self.folder = folder.resolve()
        self._address = address
        self._lock = threading.Lock()
        self._desks: dict[str, Desk] = {}
        if self.is_one_study:
            self.desk(self.folder.name)

    @property
    def is_one_study(self) -> bool:
        """Whether the folder is a study itself."""
        return (self.folder / SETTINGS).is_file()

    def studies(self) -> dict[str, Path]:
        """Folders of studies by name."""
        if self.is_one_study:
            return {self.folder.name: self.folder}
        return {
            path.name: path
            for path in sorted(self.folder.iterdir())
            if (path / SETTINGS).is_file() and not path.is_symlink()
        }

    def desk(self, name: str) -> Desk:
        """The study of that name; only a listed one can be named, so no path leads outside.

        Raises
        ------
        KeyError
            If there is no such study.
        StudyError
            If another page has it open.
        """
        with self._lock:
            if name not in self._desks:
                self._desks[name] = Desk(self.studies()[name], self._address)
            return self._desks[name]

    def begin(self, name: str, settings: str) -> str:
        """Make a new study in the folder; returns its folder's name."""
        folder_name = re.sub(r"[^a-z0-9]+", "_", name.casefold()).strip("_")[:60]
        if self.is_one_study or not folder_name:
            raise StudyError("A study needs a name with letters or digits.")
        folder = self.folder / folder_name
        try:
            folder.mkdir()
            (folder / SETTINGS).write_text(settings, encoding="utf-8")
        except FileExistsError:
            raise StudyError(
                f"There is a folder {folder_name} already.", "Choose another name."
            ) from None
        except OSError as error:
            raise StudyError(f"{folder} cannot be written: {error.strerror}.") from None
        return folder_name

    def close(self) -> None:
        """Let all studies go."""
        for desk in self._desks.values():
            desk.close()
