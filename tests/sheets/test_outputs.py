"""What leaves a study: a new folder, the permit year, the table, the Darwin Core archive."""

import zipfile

import openpyxl
import pandas as pd
import pytest
from dwca.read import DwCAReader

from phenology.csv_text import csv_text, write_csv
from phenology.errors import StudyError
from phenology.places import coarsen_sites
from phenology.sheets.codes import list_codes
from phenology.sheets.contract import sheet_contracts
from phenology.study.export import write_capture_table, write_darwin_core
from phenology.study.new_study import make_study
from phenology.study.permit_year import permit_year
from phenology.study.study import open_study


@pytest.fixture
def study(tmp_path, small):
    small.captures.loc[2, "released"] = "died"
    small.captures.loc[2, "incident"] = "heat"
    small.captures.loc[4, "capture"] = "band lost"
    small.captures["band_size"] = "X"
    return open_study(small.write(tmp_path / "study"))


def test_a_new_study_opens_once_it_is_typed_into(tmp_path):
    folder = tmp_path / "new"
    make_study(folder)
    with pytest.raises(StudyError, match="no rows"):
        open_study(folder)
    book = openpyxl.load_workbook(folder / "sheets.xlsx")
    for name in ("captures", "effort", "sites", "bloom"):
        headings = [str(cell.value).split(" (")[0] for cell in book[name][1]]
        assert headings == list(sheet_contracts()[name].columns)
        assert all(cell.comment is not None for cell in book[name][1])
        assert book[name].data_validations.dataValidation
    tab = book["captures"]
    places = {str(cell.value).split(" (")[0]: cell.column for cell in tab[1]}
    for name, value in {
        "site": "fork",
        "date": "2031-07-05",
        "species": "RUHU",
        "mass_g": 3.4,
    }.items():
        tab.cell(row=2, column=places[name], value=value)
    for place, value in enumerate(["fork", "", 33.2, -109.1], start=1):
        book["sites"].cell(row=2, column=place, value=value)
    book.save(folder / "sheets.xlsx")
    opened = open_study(folder)
    assert opened.captures["mass_g"].tolist() == [3.4]
    assert opened.rows["captures"] == {"read": 1, "used": 1, "set_aside": 0}
    with pytest.raises(StudyError, match="not empty"):
        make_study(folder)


def test_codes_are_listed_with_their_meaning():
    listed = set(list_codes())
    assert ("captures", "age", "hy", "young") in listed
    assert ("captures", "species", "RUHU", "Selasphorus rufus") in listed
    assert ("any", "any", "--", "not recorded") in listed


def test_permit_year_counts_every_capture_once(study):
    year = permit_year(study, 2031)
    captures = year[year["part"] == "captures"]
    assert captures["value"].sum() == len(study.captures)
    assert set(captures["item"]) == {"new", "repeat", "band_lost"}
    bands = year[year["part"] == "bands"].set_index("item")["value"]
    assert bands["bands used"] == (study.captures["capture"] == "new").sum()
    assert bands["bands lost"] == 1
    incidents = year[year["part"] == "incidents"].set_index("item")["value"]
    assert incidents["died"] == 1
    assert incidents["died, heat"] == 1
    effort = year[(year["part"] == "effort") & (year["unit"] == "trap-hours")]["value"].sum()
    assert effort == pytest.approx(5.5 * len(study.effort))  # 05:45 to 11:15
    assert year[year["part"] == "banders"]["value"].sum() == len(study.captures)
    with pytest.raises(StudyError, match="2031"):
        permit_year(study, 1999)


def test_the_table_has_the_contracts_columns_without_banders(study, tmp_path):
    path = tmp_path / "captures.parquet"
    write_capture_table(study, path)
    table = pd.read_parquet(path)
    assert not {"bander", "remarks"} & set(table.columns)
    assert len(table) == len(study.captures)
    assert table["mass_g"].tolist() == study.captures["mass_g"].tolist()
    assert [name.name for name in tmp_path.iterdir() if name.name.startswith(".")] == []


def test_darwin_core_archive_reads_back_equal(study, tmp_path):
    path = tmp_path / "archive.zip"
    write_darwin_core(study, path)
    short = "http://rs.tdwg.org/dwc/terms/"
    occurrences, measurements = [], []
    with DwCAReader(path) as archive:
        assert archive.descriptor.core.type == f"{short}Event"
        events = {row.data[f"{short}eventID"]: row.data for row in archive}
        for row in archive:
            for extension in row.extensions:
                target = occurrences if extension.rowtype.endswith("Occurrence") else measurements
                target.append(extension.data)
    captures = study.captures
    assert len(occurrences) == len(captures)
    by_id = {data[f"{short}occurrenceID"]: data for data in occurrences}
    for bird in captures.itertuples(index=False):
        data = by_id[f"captures.csv::{bird.row}"]
        assert data[f"{short}scientificName"] == bird.species
        assert data[f"{short}organismID"] == bird.band
        assert data[f"{short}sex"] == bird.sex
    masses = {
        data[f"{short}occurrenceID"]: float(data[f"{short}measurementValue"])
        for data in measurements
        if data[f"{short}measurementType"] == "mass"
    }
    assert masses == {
        f"captures.csv::{b.row}": b.mass_g for b in captures.itertuples() if b.mass_g == b.mass_g
    }
    event = next(data for name, data in events.items() if name.startswith("fork:"))
    assert float(event[f"{short}sampleSizeValue"]) == pytest.approx(5.5)
    assert event[f"{short}sampleSizeUnit"] == "trap-hours"
    # fork is sensitive: 33.2187, -109.1412 must not be told
    assert event[f"{short}decimalLatitude"] != "33.2187"
    assert abs(float(event[f"{short}decimalLatitude"]) - 33.2187) < 0.05
    assert "10 km" in event[f"{short}dataGeneralizations"]
    assert "coordinates" in event[f"{short}informationWithheld"]
    # the archive and the report must not give away more together than one of them
    assert float(event[f"{short}decimalLatitude"]) == pytest.approx(
        coarsen_sites(study.sites, 10).set_index("site").loc["fork", "latitude"], abs=6e-4
    )
    ridge = next(data for name, data in events.items() if name.startswith("ridge:"))
    assert ridge[f"{short}decimalLatitude"] == "33.4311"
    assert ridge[f"{short}dataGeneralizations"] == ""
    with zipfile.ZipFile(path) as archive:
        text = b"".join(archive.read(name) for name in archive.namelist()).decode()
    assert "33.2187" not in text


def test_a_table_is_written_to_a_file_as_it_is_told(tmp_path, monkeypatch):
    table = pd.DataFrame({
        "date": pd.to_datetime(["2031-08-01", None, "2031-08-03 06:30"], format="ISO8601"),
        "birds": pd.array([3, None, 5], dtype="Int64"),
        "mass_g": [3.25, None, 3.4],
        "remarks": ["=1+2", None, "fat, well"],
        "recaptured": [True, False, True],
    })  # fmt: skip
    told = csv_text(table)
    assert told.splitlines()[1:] == [
        "2031-08-01T00:00:00,3,3.25,'=1+2,yes",
        ",,,,no",
        '2031-08-03T06:30:00,5,3.4,"fat, well",yes',
    ]
    for rows in (1, 2, 3):  # a piece does not change how its column is written
        monkeypatch.setattr("phenology.csv_text._ROWS_AT_ONCE", rows)
        write_csv(table, tmp_path / "table.csv")
        assert (tmp_path / "table.csv").read_text(encoding="utf-8") == told
