"""A finished run as the page shows it: its tables, its captures, its files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from phenology.assess.finished import RESULTS, read_run
from phenology.csv_text import exact_cell
from phenology.errors import StudyError
from phenology.study.files import changed_inputs

if TYPE_CHECKING:
    import pandas as pd

_TEXTS = {
    *("quantity", "definition", "outcome", "driver", "scenario", "site", "season", "group"),
    *("role", "plant", "unit", "basis", "note", "name", "species", "date", "curve", "reason"),
}
_TRUTHS = {"yes": True, "no": False}


def written_at(study: Path) -> int:
    """When the finished run was put in its place [ns since 1970].

    Raises
    ------
    StudyError
        If there is none.
    """
    try:
        return (study / RESULTS / "summary.json").stat().st_mtime_ns
    except OSError:
        raise StudyError(
            "This study has no results yet.", "Run it, on the page of sheets."
        ) from None


class Results:
    """The finished run of a study.

    Parameters
    ----------
    study : Path

    Raises
    ------
    StudyError
        If the run cannot be read.
    """

    def __init__(self, study: Path) -> None:
        self.study = study
        self.run = read_run(study)
        self.folder = self.run.folder
        self.files: tuple[str, ...] = tuple(self.run.summary["files"])
        self.kept: dict[tuple[Any, ...], Any] = {}  # what was worked out once from this run
        self._tables: dict[str, pd.DataFrame] = {}

    @property
    def changed(self) -> tuple[str, ...]:
        """One sentence for each sheet that is no longer what it was."""
        return changed_inputs(self.study, self.run.summary["inputs"])

    def table(self, name: str) -> pd.DataFrame | None:
        """A table of the report; None if the run has none of that name."""
        if f"tables/{name}.csv" not in self.files:
            return None
        if name not in self._tables:
            self._tables[name] = read_table(self.folder / "tables" / f"{name}.csv")
        return self._tables[name]

    def needed_table(self, name: str) -> pd.DataFrame:
        """A table without which there is nothing to show.

        Raises
        ------
        StudyError
            If the run has none.
        """
        found = self.table(name)
        if found is None:
            what = name.replace("_", " ")
            raise StudyError(f"The results tell nothing of {what}.", "The report says why.")
        return found

    def file(self, name: str) -> Path:
        """A file of the run, only one that it lists and that lies inside its folder.

        Raises
        ------
        KeyError
            If it is none.
        """
        path = (self.folder / name).resolve()
        if name not in self.files or not path.is_relative_to(self.folder.resolve()):
            raise KeyError(name)
        return path


def read_table(path: Path) -> pd.DataFrame:
    """Read a CSV that we wrote: texts as they were, numbers and truth values as such."""
    import pandas as pd

    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    for name in table.columns:
        values = set(table[name].unique()) if len(table) else set()
        if name in _TEXTS:
            table[name] = [exact_cell(text) for text in table[name]]
        elif values and values <= set(_TRUTHS):
            table[name] = table[name].map(_TRUTHS).astype(bool)
        else:
            numbers = pd.to_numeric(table[name].where(table[name] != ""), errors="coerce")
            if numbers.notna().sum() == (table[name] != "").sum():
                table[name] = numbers
    return table
