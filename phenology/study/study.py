"""A folder of sheets and its study.toml, opened as one object."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from phenology.errors import StudyError
from phenology.sheets.check import check_sheets
from phenology.sheets.codes import fat_levels
from phenology.sheets.contract import sheet_contracts
from phenology.sheets.corrections import apply_corrections
from phenology.sheets.doubt import Sheets, settle
from phenology.sheets.finding import Finding, findings_table
from phenology.sheets.grid import Grid
from phenology.sheets.read import SheetRead, read_part, read_sheet
from phenology.sheets.stations import find_sites_twice, station_names
from phenology.study.files import file_hash, layer_paths, read_folder
from phenology.study.options import StudyOptions, read_options

if TYPE_CHECKING:
    import geopandas as gpd


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
    layers : dict of geopandas.GeoDataFrame
        Polygons in WGS84 by "sites", "habitat", "events"; a layer that the folder lacks, or
        that cannot be placed, is absent.
    """

    folder: Path
    options: StudyOptions
    sheets: dict[str, pd.DataFrame]
    findings: pd.DataFrame
    set_aside: pd.DataFrame
    rows: dict[str, dict[str, int]]
    fat_levels: tuple[str, ...]
    inputs: dict[str, str]
    layers: dict[str, gpd.GeoDataFrame] = field(default_factory=dict)

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


def open_study(folder: Path) -> Study:
    """Open a study folder: read its sheets, check them, gather all doubts.

    Parameters
    ----------
    folder : Path
        Has study.toml, captures and sites; nothing in it is changed.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        If the folder is no study, a required sheet is missing or empty, or no row of it can be
        used; the message says which and why.
    """
    folder = Path(folder)
    options = read_options(folder / "study.toml")
    grids, findings, inputs = read_folder(folder)
    inputs = {"study.toml": file_hash(folder / "study.toml")} | inputs
    parts = {
        kind: [read_part(kind, grid, options) for grid in grids[kind]]
        for kind in _reading_order(grids)
    }
    reads: dict[str, SheetRead] = {}
    if "corrections" in parts:
        reads["corrections"] = read_sheet("corrections", parts.pop("corrections"), options)
        findings += apply_corrections(reads["corrections"], parts)
    for kind, of_kind in parts.items():
        sites = station_names(reads["sites"].used) if "sites" in reads else {}
        reads[kind] = read_sheet(kind, of_kind, options, sites)
        if kind == "sites":
            _require_rows(reads[kind])
            of_sites = Sheets(options, {kind: reads[kind]})
            findings += settle(of_sites, list(find_sites_twice(of_sites)))
    _require_rows(reads["captures"])
    doubts = check_sheets(Sheets(options, reads))
    findings += [finding for read in reads.values() for finding in read.findings] + doubts
    _require_rows(reads["captures"])
    layers, of_layers, hashes = _open_layers(folder, reads["sites"].used)
    findings += of_layers
    set_aside = [read.set_aside for read in reads.values() if len(read.set_aside)]
    return Study(
        folder=folder,
        options=options,
        sheets={kind: read.used for kind, read in reads.items()},
        findings=findings_table(findings),
        set_aside=pd.concat(set_aside, ignore_index=True) if set_aside else _NOTHING_ASIDE,
        rows={
            kind: {
                "read": read.rows_read,
                "used": len(read.used),
                "set_aside": len(read.set_aside),
            }
            for kind, read in reads.items()
        },
        fat_levels=fat_levels(options),
        inputs=inputs | hashes,
        layers=layers,
    )


def _open_layers(
    folder: Path, sites: pd.DataFrame
) -> tuple[dict[str, gpd.GeoDataFrame], list[Finding], dict[str, str]]:
    """Polygons beside the sheets, doubts about them and their hashes."""
    paths = layer_paths(folder)
    if not paths:
        return {}, [], {}
    from phenology.landscape_layers import read_layers

    layers, findings = read_layers(paths, sites)
    return layers, findings, {path.name: file_hash(path) for path in paths.values()}


_NOTHING_ASIDE = pd.DataFrame(columns=["sheet", "file", "tab", "row", "reason"])


def _reading_order(grids: dict[str, list[Grid]]) -> list[str]:
    """Required sheets must be there; sites come first, for the others name them."""
    for kind, contract in sheet_contracts().items():
        if contract.required and kind not in grids:
            raise StudyError(
                f"The study has no sheet of {kind}.",
                f"Add {kind}.csv or a workbook with a tab named {kind}"
                + (", or polygons in sites.gpkg." if kind == "sites" else "."),
            )
    return ["sites", *(kind for kind in grids if kind != "sites")]


def _require_rows(read: SheetRead) -> None:
    if len(read.used):
        return
    files = " and ".join(dict.fromkeys(part.grid.file for part in read.parts))
    if not read.rows_read:
        raise StudyError(f"{files} has no rows of {read.kind}.", "Fill in at least one.")
    reasons = read.set_aside["reason"].value_counts()
    told = next((f.message for f in read.findings if f.severity == "impossible"), "")
    hint = next((f.suggestion for f in read.findings if f.severity == "impossible"), "")
    raise StudyError(
        f"None of the {read.rows_read} rows of {read.kind} in {files} can be used: "
        f"{reasons.index[0]} in {reasons.iloc[0]}{f' ({told})' if told else ''}.",
        f"{hint[:1].upper()}{hint[1:]}." if hint else "",
    )
