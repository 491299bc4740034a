"""Hostile files: one clear message or an inert value each."""

import random
import zipfile

import openpyxl
import pytest

from phenology.csv_text import csv_text, inert_cell
from phenology.errors import StudyError
from phenology.sheets.told import findings_csv, findings_html
from phenology.sheets.workbook import read_workbook
from phenology.study.study import open_study


def test_stray_far_cell(tmp_path):
    book = openpyxl.Workbook()
    book.active["A1"] = "site"
    book.active["XFD1048576"] = "stray"
    path = tmp_path / "captures.xlsx"
    book.save(path)
    with pytest.raises(StudyError, match="far outside"):
        read_workbook(path)


def test_stray_far_cell_with_a_false_dimension(tmp_path):
    book = openpyxl.Workbook()
    book.active["A1"] = "site"
    book.active["XFD1048576"] = "stray"
    honest, path = tmp_path / "honest.xlsx", tmp_path / "captures.xlsx"
    book.save(honest)
    with zipfile.ZipFile(honest) as source, zipfile.ZipFile(path, "w") as target:
        for name in source.namelist():
            target.writestr(name, source.read(name).replace(b'ref="A1:XFD1048576"', b'ref="A1:B2"'))
    with pytest.raises(StudyError, match=r"captures\.xlsx"):
        read_workbook(path)


def test_zip_bomb(tmp_path):
    path = tmp_path / "captures.xlsx"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("xl/sharedStrings.xml", "w", force_zip64=True) as part,
    ):
        for _ in range(150):
            part.write(b" " * 1_000_000)
    assert path.stat().st_size < 1_000_000
    with pytest.raises(StudyError, match="unpacks to"):
        read_workbook(path)


def test_a_sheet_that_does_not_unpack(tmp_path):
    path = tmp_path / "captures.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", random.Random(1).randbytes(3000) * 2)
    content = bytearray(path.read_bytes())
    content[60:90] = bytes(30)  # within the packed sheet
    path.write_bytes(content)
    with pytest.raises(StudyError, match="no readable workbook"):
        read_workbook(path)


@pytest.mark.parametrize(
    "content", [b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj\n", b"", b"PK\x03\x04rubbish"]
)
@pytest.mark.parametrize(
    "name", ["captures.xlsx", "captures.csv", "captures.ods", "captures.parquet"]
)
def test_a_file_that_is_not_what_its_name_says(tmp_path, small, content, name):
    folder = small.write(tmp_path / "study")
    (folder / "captures.csv").unlink()
    (folder / name).write_bytes(content)
    with pytest.raises(StudyError, match="captures"):
        open_study(folder)


def test_a_slow_workbook_is_given_up(tmp_path):
    book = openpyxl.Workbook()
    book.active["A1"] = "site"
    path = tmp_path / "captures.xlsx"
    book.save(path)
    with pytest.raises(StudyError, match="within"):
        read_workbook(path, time_limit_s=0.001)


def test_formulas_markup_and_escape_codes_are_inert(tmp_path, small):
    nasty = [
        '=HYPERLINK("http://x.invalid","y")',
        "<script>alert(1)</script>",
        "\x1b[31mred",
        "x" * 10_000,
        "@SUM(1)",
    ]
    captures = small.captures
    for row, text in enumerate(nasty):
        captures.loc[row, "remarks"] = text
        captures.loc[row, "wing_mm"] = text
        captures.loc[row + 10, "species"] = text
    study = open_study(small.write(tmp_path / "study"))
    assert study.captures["remarks"].dropna().tolist()[1] == nasty[1]
    written = findings_csv(study.findings) + csv_text(study.set_aside)
    assert "\n=" not in written
    assert ",=" not in written
    assert "\x1b" not in written
    assert "'=HYPERLINK" in written
    page = findings_html(study.findings, "<b>")
    assert "<script" not in page
    assert "<b>" not in page


@pytest.mark.parametrize("text", ["-", "—", "-3.5", "+4", "1e-3", "-1,5", "plain", "a=b", " - "])
def test_harmless_cells_are_left_alone(text):
    assert inert_cell(text) == text


@pytest.mark.parametrize("text", ["=1", "+1+1", "-1+1", "@x", "\t=1", "\r=1", "＝1", " =1", "-cmd"])
def test_cells_that_a_spreadsheet_evaluates_are_neutralised(text):
    assert inert_cell(text).startswith("'")
