"""A spreadsheet in OpenDocument format, written by odfpy (a general library for the format)."""

import datetime as dt

import pytest
from odf import style
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import CoveredTableCell, Table, TableCell, TableRow
from odf.text import P

from phenology.study.study import open_study

HEADINGS = ["site", "date", "time", "band", "species", "age", "sex", "wing_mm", "mass_g", "fat"]


def cell(value, **more):
    """A cell as an office program types it."""
    if isinstance(value, dt.date):
        typed = {"valuetype": "date", "datevalue": value.isoformat()}
    elif isinstance(value, dt.time):
        typed = {"valuetype": "time", "timevalue": value.strftime("PT%HH%MM%SS")}
    elif isinstance(value, float | int):
        typed = {"valuetype": "float", "value": value}
    else:
        typed = {"valuetype": "string"}
    made = TableCell(**typed, **more)
    made.addElement(P(text=str(value)))
    return made


def row(values, repeated=1):
    made = TableRow(numberrowsrepeated=repeated)
    for value in values:
        made.addElement(TableCell() if value == "" else cell(value))
    return made


@pytest.fixture
def folder(tmp_path):
    book = OpenDocumentSpreadsheet()
    book.automaticstyles.addElement(style.Style(name="ta1", family="table"))
    captures = Table(name="captures 2031")
    title = TableRow()
    title.addElement(cell("Invented stations, 2031", numbercolumnsspanned=3))
    title.addElement(CoveredTableCell(numbercolumnsrepeated=2))
    captures.addElement(title)
    captures.addElement(row([""], repeated=2))
    captures.addElement(row(HEADINGS))
    for number in range(3):
        captures.addElement(
            row(
                ["fork", dt.date(2031, 7, 5 + number), dt.time(6, 15), f"TEST-{number}", "RUHU",
                 "AHY", "M", 40.5, 3.42, number]
            )
        )  # fmt: skip
    captures.addElement(row(["fork", "2031-07-40", "615", "TEST-9", "RUHU", "AHY", "M", "", "", 1]))
    sites = Table(name="sites")
    sites.addElement(row(["site", "latitude", "longitude"]))
    sites.addElement(row(["fork", 33.2, -109.1]))
    for table in (captures, sites):
        book.spreadsheet.addElement(table)
    study = tmp_path / "study"
    study.mkdir()
    book.save(study / "sheets.ods")
    (study / "study.toml").write_text(
        'name = "Invented"\n[species]\n"Selasphorus rufus" = "passage"\n'
    )
    return study


def test_types_rows_and_tabs_of_an_open_document(folder):
    study = open_study(folder)
    assert study.captures["row"].tolist() == [5, 6, 7]  # as the spreadsheet numbers them
    assert [str(day.date()) for day in study.captures["date"]] == [
        "2031-07-05", "2031-07-06", "2031-07-07",
    ]  # fmt: skip
    assert study.captures["time"].tolist() == [6.25] * 3
    assert study.captures["wing_mm"].tolist() == [40.5] * 3
    assert study.captures["fat"].tolist() == ["0", "1", "2"]
    assert study.sites["latitude"].tolist() == [33.2]
    found = study.findings[study.findings["kind"] == "unreadable_date"]
    assert found[["tab", "row"]].to_numpy().tolist() == [["captures 2031", 8]]
    assert study.rows["captures"] == {"read": 4, "used": 3, "set_aside": 1}
