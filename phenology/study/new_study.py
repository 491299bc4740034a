"""A new study folder: study.toml to fill in and a workbook to type into."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from phenology.errors import StudyError
from phenology.sheets.contract import Column, Sheet, sheet_contracts

STUDY_TOML = """\
# What the tool must know about your study. Lines that begin with # are examples: take the # away.
name = "Our stations"

[species]                    # role at your sites: "local", "passage" or "mixed"
"Selasphorus rufus" = "passage"
"Archilochus alexandri" = "local"

# [season]                   # the part of the year under study
# from = "06-15"
# until = "09-30"

[fat]
scale = "0-5"                # or "words", "0-7", "0-8"

# [limits]                   # from your permit and trainer
# birds_per_hour = 20
# heat_c = 35
# handling_min = 30
"""
TYPED_ROWS = 2000  # rows that carry drop-downs and formats
_TABS = ("captures", "effort", "sites", "bloom", "feeders", "counts", "plants", "events")
_FORMATS = {"date": "yyyy-mm-dd", "time": "hh:mm", "text": "@", "integer": "0"}


def make_study(folder: Path) -> list[Path]:
    """Make a study folder with study.toml and a workbook of empty sheets.

    Parameters
    ----------
    folder : Path
        Made if it is not there; must hold nothing yet.

    Returns
    -------
    list of Path
        The files made.

    Raises
    ------
    StudyError
        If the folder holds files already, or cannot be written.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise StudyError(f"{folder} is not empty.", "Name a new folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        settings, workbook = folder / "study.toml", folder / "sheets.xlsx"
        settings.write_text(STUDY_TOML, encoding="utf-8")
        building = folder / ".sheets.xlsx"
        _workbook().save(building)
        os.replace(building, workbook)  # noqa: PTH105  # atomic, and plain about it
    except OSError as error:
        raise StudyError(f"{folder} cannot be written: {error.strerror}.") from None
    return [settings, workbook]


def _workbook() -> Any:
    from openpyxl import Workbook

    contracts = sheet_contracts()
    workbook = Workbook()
    workbook.remove(workbook.active)
    for name in _TABS:
        _fill_tab(workbook.create_sheet(name), contracts[name])
    return workbook


def _fill_tab(tab: Any, contract: Sheet) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    for place, column in enumerate(contract.columns.values(), start=1):
        letter = get_column_letter(place)
        heading = tab.cell(row=1, column=place, value=_heading(column))
        heading.font = Font(bold=True)
        heading.alignment = Alignment(wrap_text=True, vertical="top")
        if column.missing == "set aside":
            heading.fill = PatternFill("solid", fgColor="E8E8E8")
        heading.comment = Comment(_note(column), "site-support", width=260, height=120)
        tab.column_dimensions[letter].width = max(10, min(len(column.name) + 4, 22))
        if column.kind in _FORMATS:
            tab.column_dimensions[letter].number_format = _FORMATS[column.kind]
            for row in range(2, 52):
                tab.cell(row=row, column=place).number_format = _FORMATS[column.kind]
        _restrict(tab, column, f"{letter}2:{letter}{TYPED_ROWS}")
    tab.freeze_panes = "A2"
    tab.print_title_rows = "1:1"
    tab.page_setup.orientation = "landscape"
    tab.page_setup.fitToWidth, tab.page_setup.fitToHeight = 1, 0
    tab.sheet_properties.pageSetUpPr.fitToPage = True
    tab.print_options.gridLines = True


def _heading(column: Column) -> str:
    unit = column.unit if column.unit and not column.name.endswith(f"_{column.unit}") else ""
    return f"{column.name} ({unit})" if unit and len(unit) < 16 else column.name


def _note(column: Column) -> str:
    words = [column.meaning[:1].upper() + column.meaning[1:] + "."]
    if column.unit:
        words.append(f"Unit: {column.unit}.")
    if column.missing == "set aside":
        words.append("Needed: a row without it cannot be used.")
    return " ".join(words)


def _restrict(tab: Any, column: Column, cells: str) -> None:
    """Drop-downs for words, ranges for numbers; both warn, for the sheet is the user's."""
    from openpyxl.worksheet.datavalidation import DataValidation

    words = column.choices or (("yes", "no") if column.kind == "yes_no" else ())
    if words:
        rule = DataValidation(type="list", formula1=f'"{",".join(words)}"', allow_blank=True)
    elif column.kind in ("number", "integer") and column.range is not None:
        low, high = column.range
        kind = "whole" if column.kind == "integer" else "decimal"
        rule = DataValidation(
            type=kind, operator="between", formula1=f"{low:g}", formula2=f"{high:g}"
        )
    else:
        return
    rule.errorStyle = "warning"
    rule.error = column.meaning
    tab.add_data_validation(rule)
    rule.add(cells)
