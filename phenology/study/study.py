"""A folder of sheets and its study.toml, opened as one object."""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from phenology.study.options import StudyOptions


@dataclass(frozen=True)
class Study:
    """A study as opened: every row is either in `sheets` or in `set_aside`.

    Attributes
    ----------
    folder : Path
    options : StudyOptions
        study.toml, checked.
    sheets : dict of pandas.DataFrame
        Clean used rows by kind of sheet: the contract's columns, for captures the study's own
        measurements, then `file`, `tab`, `row`. A kind that the folder lacks is absent.
    findings : pandas.DataFrame
        One row a doubt, in the columns of findings.csv.
    set_aside : pandas.DataFrame
        sheet, file, tab, row, reason, then the cells as written under their own headings.
    rows : dict of dict
        By kind of sheet: read, used, set_aside; used + set_aside = read.
    fat_levels : tuple of str
        Levels of the study's fat scale, leanest first.
    inputs : dict of str
        SHA-256 of every file read, by its name in the folder.
    """

    folder: Path
    options: StudyOptions
    sheets: dict[str, pd.DataFrame]
    findings: pd.DataFrame
    set_aside: pd.DataFrame
    rows: dict[str, dict[str, int]]
    fat_levels: tuple[str, ...]
    inputs: dict[str, str]

    @property
    def captures(self) -> pd.DataFrame:
        """Used rows of the captures, one a bird in the hand."""
        return self.sheets["captures"]

    @property
    def sites(self) -> pd.DataFrame:
        """Used rows of the sites, one a station."""
        return self.sheets["sites"]

    @property
    def effort(self) -> pd.DataFrame | None:
        """Used rows of the effort sheet, one a session; None if the study has none."""
        return self.sheets.get("effort")
