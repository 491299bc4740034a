"""Sheets as the field writes them: delimiters, encodings, headings, rows that are none."""

import datetime as dt

import numpy as np
import openpyxl
import pandas as pd
import pytest

from phenology.errors import StudyError
from phenology.sheets.clock import Ambiguous, Unreadable, parse_date, parse_time
from phenology.sheets.numerals import parse_number
from phenology.sheets.rows import read_grids
from phenology.study.study import open_study

TOML = 'name = "Invented"\n[species]\n"Selasphorus rufus" = "passage"\n'
SITES = "site,lat,long\nfork,33.2,-109.1\n"
HEADINGS = "Site;Date;Time;Band;Spp;Age;Sex;Wing (mm);Weight (g);Fat"
ROW = "fork;2031-07-05;6:15;TEST-1;RUHU;AHY;M;40,5;3,42;2"


def write(folder, captures, toml=TOML, sites=SITES, name="captures.csv"):
    folder.mkdir(exist_ok=True)
    (folder / "study.toml").write_text(toml)
    (folder / "sites.csv").write_text(sites)
    data = captures if isinstance(captures, bytes) else captures.encode()
    (folder / name).write_bytes(data)
    return folder


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("615", 6.25), ("06:15", 6.25), ("6.15", 6.25), ("0615", 6.25), ("1815h", 18.25),
        ("18h15", 18.25), ("6:15 pm", 18.25), ("12:05 am", 1 / 12), ("0.2604166667", 6.25),
        ("06:15:30", 6.25 + 30 / 3600), ("1899-12-31 06:15:00", 6.25), ("24:00", 24.0), ("6", 6.0),
    ],
)  # fmt: skip
def test_times_of_day(text, hours):
    assert parse_time(text) == pytest.approx(hours, abs=1e-9)


@pytest.mark.parametrize("text", ["6:75", "25:00", "noon", "6:1", "99", "1990", "-6:15"])
def test_no_times_of_day(text):
    with pytest.raises(Unreadable):
        parse_time(text)


@pytest.mark.parametrize(
    "text",
    [
        "2031-07-05", "2031/7/5", "20310705", "5 Jul 2031", "Jul 5, 2031", "5-July-31", "48034",
        "2031-07-05 00:00:00", "5th july 2031",
    ],
)  # fmt: skip
def test_dates(text):
    assert parse_date(text) == dt.date(2031, 7, 5)


def test_serial_dates_count_from_the_spreadsheets_day():
    # ISO 29500-1, 18.17.4.1: serial 44197 is 1 January 2021 (common practice).
    assert parse_date("44197") == dt.date(2021, 1, 1)


def test_ambiguous_dates_are_asked_about():
    with pytest.raises(Ambiguous):
        parse_date("3/4/2031")
    assert parse_date("3/4/2031", "month-first") == dt.date(2031, 3, 4)
    assert parse_date("3/4/2031", "day-first") == dt.date(2031, 4, 3)
    assert parse_date("13/4/2031") == dt.date(2031, 4, 13)
    assert parse_date("4/4/2031") == dt.date(2031, 4, 4)


@pytest.mark.parametrize(
    ("text", "unit", "number"),
    [
        ("45,5", "mm", 45.5), ("3.4g", "g", 3.4), ("３．４", "g", 3.4), ("1,234.5", "m", 1234.5),
        ("1.234,5", "m", 1234.5), ("−109.1", "degrees east", -109.1), ("0.12 oz", "g", 3.402),
        ("1.75 in", "mm", 44.45), ("1 234", "m", 1234.0), (".5", "", 0.5),
    ],
)  # fmt: skip
def test_numbers(text, unit, number):
    assert parse_number(text, unit) == pytest.approx(number)


@pytest.mark.parametrize("text", ["", "4o.5", "3.4 kPa", "1.2.3", "nan", "inf", "1e400", "3/4"])
def test_no_numbers(text):
    with pytest.raises(Unreadable):
        parse_number(text, "g")


def test_a_comma_is_decided_by_what_is_possible():
    assert parse_number("3,415", "g", (1.2, 1000)) == 3.415
    with pytest.raises(Ambiguous):
        parse_number("3,415", "g", (1.2, 20000))


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_delimiters_and_encodings(tmp_path, delimiter, encoding):
    text = (HEADINGS + ";Remarks\n" + ROW + ";née\n").replace(",", "." if delimiter == "," else ",")
    text = text.replace(";", delimiter)
    study = open_study(write(tmp_path / "s", text.encode(encoding)))
    bird = study.captures.iloc[0]
    assert bird["wing_mm"] == 40.5
    assert bird["mass_g"] == 3.42
    assert bird["remarks"] == "née"
    assert bird["time"] == 6.25
    assert bird["row"] == 2


def test_titles_blank_rows_repeated_headings_and_totals(tmp_path):
    text = "\n".join(
        ["Invented stations 2031", "", HEADINGS, ROW, "", HEADINGS, ROW.replace("TEST-1", "TEST-2"),
         "Total;2;;;;;;;;", ""]
    )  # fmt: skip
    study = open_study(write(tmp_path / "s", text))
    assert study.captures["row"].tolist() == [4, 7]
    assert study.rows["captures"] == {"read": 4, "used": 2, "set_aside": 2}
    aside = study.set_aside.set_index("row")["reason"]
    assert aside.to_dict() == {6: "the headings again", 8: "a total of rows above"}
    assert study.findings[study.findings["severity"] == "impossible"].empty


def test_ragged_rows_and_quoted_line_breaks_keep_their_numbers(tmp_path):
    text = (
        HEADINGS + ";Remarks\n" + ROW + ';"two\nlines"\n' + ROW.replace("TEST-1", "TEST-2") + "\n"
    )
    study = open_study(write(tmp_path / "s", text))
    assert study.captures["row"].tolist() == [2, 3]
    assert study.captures["remarks"].iat[0] == "two\nlines"
    assert pd.isna(study.captures["remarks"].iat[1])


def test_several_files_of_a_kind(tmp_path):
    folder = write(tmp_path / "s", HEADINGS + "\n" + ROW + "\n", name="captures_2031.csv")
    later = ROW.replace("2031", "2032").replace("TEST-1", "TEST-2")
    (folder / "captures_2032.csv").write_text(HEADINGS + "\n" + later + "\n")
    study = open_study(folder)
    assert study.captures["file"].tolist() == ["captures_2031.csv", "captures_2032.csv"]
    assert set(study.inputs) == {
        "study.toml",
        "sites.csv",
        "captures_2031.csv",
        "captures_2032.csv",
    }


def test_a_row_in_two_files_is_set_aside_once(tmp_path):
    folder = write(tmp_path / "s", HEADINGS + "\n" + ROW + "\n", name="captures_a.csv")
    (folder / "captures_b.csv").write_text(HEADINGS + "\n" + ROW + "\n")
    study = open_study(folder)
    assert study.rows["captures"] == {"read": 2, "used": 1, "set_aside": 1}
    assert study.findings["kind"].tolist() == ["row_twice"]


def test_workbook_with_typed_cells_and_merged_ranges(tmp_path):
    folder = tmp_path / "s"
    folder.mkdir()
    (folder / "study.toml").write_text(TOML)
    book = openpyxl.Workbook()
    tab = book.active
    tab.title = "Captures 2031"
    tab.append(["Invented stations"])
    tab.append([])
    tab.append(["site", "date", "time", "band", "species", "wing_mm", "mass_g", "fat"])
    tab.append(["fork", dt.date(2031, 7, 5), dt.time(6, 15), "TEST-1", "RUHU", 40.5, 3.42, 2])
    tab.append([None, dt.date(2031, 7, 6), 0.25, "TEST-2", "RUHU", "41", "3,5 g", 0])
    tab.append([])
    tab.append(["fork", dt.date(2031, 7, 7), 630, 12345, "RUHU", 41, 3.5, "trace"])
    tab.merge_cells("A4:A5")
    sites = book.create_sheet("sites")
    sites.append(["site", "latitude", "longitude"])
    sites.append(["fork", 33.2, -109.1])
    book.save(folder / "fork.xlsx")
    study = open_study(folder)
    assert study.captures["row"].tolist() == [4, 5, 7]
    assert study.captures["site"].tolist() == ["fork"] * 3
    assert study.captures["time"].tolist() == [6.25, 6.0, 6.5]
    assert study.captures["date"].dt.day.tolist() == [5, 6, 7]
    assert study.captures["band"].tolist() == ["TEST-1", "TEST-2", "12345"]
    assert study.captures["fat"].tolist() == ["2", "0", "1"]
    assert study.captures["mass_g"].tolist() == [3.42, 3.5, 3.5]
    assert study.captures["tab"].unique().tolist() == ["Captures 2031"]


def test_parquet_reads_like_text(tmp_path):
    folder = write(tmp_path / "s", HEADINGS + "\n" + ROW + "\n")
    sheet = pd.read_csv(folder / "captures.csv", sep=";", dtype=str)
    (folder / "captures.csv").unlink()
    sheet.to_parquet(folder / "captures.parquet")
    assert open_study(folder).captures["wing_mm"].tolist() == [40.5]


def test_own_headings_codes_and_measurements(tmp_path):
    toml = TOML + (
        '[columns.captures]\nwing_mm = "Flügel"\n[codes.captures.mass_g]\nx = "not taken"\n'
        '[codes.captures.age]\n"4" = "adult"\n[measurements]\nhallux_mm = "Claw"\n'
        'crop_share = { heading = "Crop full", range = [0, 1] }\n'
    )
    text = (
        "site,date,species,age,Flügel,mass_g,Claw,Crop full\n"
        "fork,2031-07-05,RUHU,4,40.5,x,7.5,0.25\nfork,2031-07-05,RUHU,Q,,3.2,,3\n"
    )
    study = open_study(write(tmp_path / "s", text, toml))
    first = study.captures.iloc[0]
    assert first["wing_mm"] == 40.5
    assert np.isnan(first["mass_g"])
    assert first["age"] == "adult"
    assert (first["hallux_mm"], first["crop_share"]) == (7.5, 0.25)
    assert study.captures["age"].iat[1] == "Q"
    found = study.findings.set_index("kind")
    assert found.loc["unknown_label", "value"] == "Q"
    assert found.loc["outside_range", "column"] == "crop_share"
    assert list(study.captures.columns[-5:]) == ["hallux_mm", "crop_share", "file", "tab", "row"]


def test_headings_in_other_units_are_converted(tmp_path):
    text = "site,date,species,Wing (in),Weight (oz)\nfork,2031-07-05,RUHU,1.6,0.12\n"
    study = open_study(write(tmp_path / "s", text))
    assert study.captures["wing_mm"].tolist() == [40.64]
    assert study.captures["mass_g"].tolist() == [3.402]
    assert study.findings["kind"].tolist() == ["converted_unit", "converted_unit"]


def test_nearest_names_are_suggested(tmp_path):
    text = (
        "site,date,species,wing_mn\nfrok,2031-07-05,RUHU,40\n"
        "fork,2031-07-05,Selasphorus rufos,40\nfork,2031-07-05,RUHU,40\n"
    )
    study = open_study(write(tmp_path / "s", text))
    found = study.findings.set_index("kind")
    assert found.loc["unknown_site", "suggestion"] == "fork"
    assert found.loc["unknown_species", "suggestion"] == "Selasphorus rufus"
    assert "wing_mm" in found.loc["unknown_heading", "suggestion"]
    assert study.rows["captures"] == {"read": 3, "used": 1, "set_aside": 2}


def test_genus_hybrid_and_synonym_are_legal_species(tmp_path):
    toml = TOML + '"Selasphorus calliope" = "passage"\n'
    names = [
        "Selasphorus sp.",
        "Selasphorus rufus x Selasphorus calliope",
        "Stellula calliope",
        "RUHU",
    ]
    text = "site,date,species\n" + "".join(f"fork,2031-07-05,{name}\n" for name in names)
    study = open_study(write(tmp_path / "s", text, toml))
    assert study.captures["species"].tolist() == [
        "Selasphorus sp.", "Selasphorus rufus × Selasphorus calliope", "Selasphorus calliope",
        "Selasphorus rufus",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("captures", "sites", "said"),
    [
        ("site,date,species\n", SITES, "no rows"),
        ("", SITES, "no rows"),
        ("a,b\n1,2\n", SITES, "None of the"),
        ("site,date,species\nfork,3/4/2031,RUHU\n", SITES, "month-first"),
        ("site,date,species\nfork,2031-07-05,RUHU\n", "site,lat,long\n", "sites"),
    ],
)
def test_a_study_without_a_usable_row_says_why(tmp_path, captures, sites, said):
    with pytest.raises(StudyError, match=said):
        open_study(write(tmp_path / "s", captures, sites=sites))


def test_a_missing_sheet_and_a_folder_that_is_no_study(tmp_path):
    folder = write(tmp_path / "s", HEADINGS + "\n" + ROW + "\n")
    (folder / "sites.csv").unlink()
    with pytest.raises(StudyError, match="no sheet of sites"):
        open_study(folder)
    with pytest.raises(StudyError, match="no study folder"):
        open_study(tmp_path / "nowhere")


def test_a_grid_keeps_empty_rows_in_place(tmp_path):
    path = tmp_path / "x.csv"
    path.write_text("a,b\n\n1,2\n,\n3,4\n")
    grid = read_grids(path)[0]
    assert grid.height == 5
    assert grid.filled().tolist() == [True, False, True, False, True]
