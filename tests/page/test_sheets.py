"""Sheets dropped, studies begun, settings saved, corrections written: over plain HTTP."""

import csv
import html
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from messy_study import HOSTILE, LONG
from served_page import Served, served_folder

from phenology.errors import StudyError
from phenology.page.accepted import Correction, append_correction
from phenology.page.dropped import add_files, file_name
from phenology.study.study import open_study

WriteStudy = Callable[..., Path]


def _multipart(name: str, content: bytes, **fields: str) -> tuple[bytes, str]:
    edge = "edge-of-the-form"
    parts = [
        f'--{edge}\r\ncontent-disposition: form-data; name="{key}"\r\n\r\n{value}\r\n'.encode()
        for key, value in fields.items()
    ]
    head = f'--{edge}\r\ncontent-disposition: form-data; name="sheets"; filename="{name}"\r\n\r\n'
    body = b"".join(parts) + head.encode() + content + f"\r\n--{edge}--\r\n".encode()
    return body, f"multipart/form-data; boundary={edge}"


def _drop(page: Served, name: str, content: bytes, **fields: str) -> int:
    body, kind = _multipart(name, content, **fields)
    return page.ask("/study/study/sheets", "POST", body, content_type=kind)[0].status


def test_a_dropped_sheet_lands_in_the_study_and_a_replaced_one_is_kept(served: Served) -> None:
    sheet = b"site,date,open,close\nfork,2031-07-10,06:30,11:00\n"
    assert _drop(served, "../../my effort.csv", sheet, kind="effort") == 303
    assert (served.folder / "effort_my effort.csv").read_bytes() == sheet
    assert not (served.folder.parent.parent / "my effort.csv").exists()
    changed = sheet.replace(b"06:30", b"06:45")
    assert _drop(served, "my effort.csv", changed, kind="effort") == 422
    assert (served.folder / "effort_my effort.csv").read_bytes() == sheet
    assert _drop(served, "my effort.csv", changed, kind="effort", replace="yes") == 303
    assert (served.folder / "effort_my effort.csv").read_bytes() == changed
    (former,) = (served.folder / "former").iterdir()
    assert former.read_bytes() == sheet
    assert open_study(served.folder).effort["open"].tolist() == [6.75]


@pytest.mark.parametrize(
    "name", ["study.toml", "run.py", ".hidden.csv", "captures", "~$open.xlsx", "a\x1b[31m.csv"]
)
def test_what_is_no_sheet_is_not_taken(tmp_path: Path, name: str) -> None:
    with pytest.raises(StudyError):
        file_name(name)
    with pytest.raises(StudyError):
        add_files(tmp_path, [], replacing=True)
    assert list(tmp_path.iterdir()) == []


def test_settings_are_saved_only_if_they_can_be_read(served: Served) -> None:
    path = served.folder / "study.toml"
    before = path.read_text()
    answer, body = served.post("/study/study/settings", text=before + "[unknown]\nx = 1\n")
    assert answer.status == 422
    assert b"unknown" in body
    assert path.read_text() == before
    answer, _ = served.post("/study/study/settings", text=before + "\r\n[run]\r\nseed = 5\r\n")
    assert answer.status == 303
    assert open_study(served.folder).options.seed == 5


def test_a_study_is_begun_from_nothing(tmp_path: Path) -> None:
    with served_folder(tmp_path) as page:
        page.enter()
        form = {
            "name": 'Our "two" forks',
            "scale": "0-5",
            "species0": "Selasphorus rufus",
            "role0": "passage",
            "codes0": "RUHU, rufous",
        }
        answer, _ = page.post("/begin", **form)
        assert answer.getheader("location") == "/study/our_two_forks?said=begun"
        assert page.post("/begin", **form)[0].status == 422  # it is there already
        assert page.post("/begin", **(form | {"species0": "", "name": "b"}))[0].status == 422
        assert b"our_two_forks" in page.ask("/")[1]
    text = (tmp_path / "our_two_forks" / "study.toml").read_text()
    assert 'codes = ["RUHU", "rufous"]' in text
    assert sorted(path.name for path in tmp_path.iterdir()) == ["our_two_forks"]


def _marks(body: bytes) -> list[tuple[str, str]]:
    form = r'name="finding" value="(\w+)">\s*<input name="new" value="([^"]*)"'
    return [(mark, html.unescape(new)) for mark, new in re.findall(form, body.decode())]


def test_an_accepted_correction_mends_the_study(served: Served) -> None:
    answer, _ = served.post("/study/study/sign?kind=unknown_site", who="Zoë B.")
    served.cookie += "; " + (answer.getheader("set-cookie") or "").split(";")[0]
    ((mark, new),) = _marks(served.ask("/study/study/findings?kind=unknown_site")[1])
    assert new == "fork"
    assert served.post("/study/study/corrections", finding=mark, new=new)[0].status == 303
    assert served.post("/study/study/corrections", finding=mark, new=new)[0].status == 422
    study = open_study(served.folder)
    assert not (study.findings["kind"] == "unknown_site").any()
    assert not (study.findings["kind"] == "correction_not_applied").any()
    written = (served.folder / "corrections.csv").read_text(encoding="utf-8")
    (row,) = csv.DictReader(written.splitlines())
    assert (row["old"], row["new"], row["who"]) == ("frok", "fork", "Zoë B.")


def test_an_unsigned_correction_is_not_written(served: Served) -> None:
    assert served.post("/study/study/corrections", finding="0" * 20, new="x")[0].status == 422
    assert not (served.folder / "corrections.csv").exists()


def test_a_correction_joins_the_file_in_its_own_order_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "corrections.csv"
    correction = Correction("captures", "captures.csv", 3, "site", "=frok", "fork", "ZZ", "why")
    path.write_text("note,why,who,new,old,column,row,file,sheet\nkept,a,b,c,d,e,4,f,g")
    append_correction(tmp_path, correction)
    *_, last = csv.reader(path.read_text().splitlines())
    assert last == ["", "why", "ZZ", "fork", "'=frok", "site", "3", "captures.csv", "captures"]
    other = "feuille;ligne\n1;2\n"
    path.write_text(other)
    with pytest.raises(StudyError, match="other headings"):
        append_correction(tmp_path, correction)
    assert path.read_text() == other
    assert [path.name for path in tmp_path.iterdir()] == ["corrections.csv"]


@pytest.fixture
def hostile(write_study: WriteStudy) -> Iterator[Served]:
    bird = {"site": "fork", "date": "2031-07-10", "time": "08:30", "band": "TEST-1",
            "species": "Selasphorus rufus", "age": "adult", "sex": "male", "mass_g": "3.3",
            "wing_mm": "40", "fat": "2", "bander": "ZZ", "remarks": "left leg"}  # fmt: skip
    session = {"site": "fork", "date": "2031-07-10", "trap": "T1", "open": "06:30",
               "close": "11:00", "method": "net", "closed_because": "planned"}  # fmt: skip
    station = {"site": "fork", "name": "Fork", "latitude": "30.1", "longitude": "-108.2",
               "elevation_m": "2100", "timezone": "", "sensitive": "no"}  # fmt: skip
    rows = {
        kind: [clean, *({**clean, column: text} for column in clean for text in (HOSTILE, LONG))]
        for kind, clean in (("captures", bird), ("effort", session))
    }
    sites = [station, *({**station, "site": f"s{place}", column: HOSTILE}
                        for place, column in enumerate(station))]  # fmt: skip
    with served_folder(write_study(sites=sites, **rows)) as page:
        page.enter()
        yield page


def test_hostile_text_of_every_field_is_inert_on_the_page_and_in_corrections(
    hostile: Served,
) -> None:
    answer, _ = hostile.post("/study/study/sign", who="=HYPERLINK(1)\x1b[31m")
    hostile.cookie += "; " + (answer.getheader("set-cookie") or "").split(";")[0]
    for room in ("", "/findings", "/findings?text=%3Cscript%3E&page=-3", "/settings", "/season"):
        body = hostile.ask("/study/study" + room)[1].decode()
        assert "<script>alert" not in body
        assert "<img" not in body
        assert "49" not in re.findall(r"7\*7|\b49\b", body)
        assert not set("\x1b\u202e\u2066") & set(re.sub(r'value="[^"]*"', "", body))
    body = hostile.ask("/study/study/findings?sheet=captures&kind=unreadable")[1]
    assert len(_marks(body)) >= 2
    for mark, _ in _marks(body)[:2]:
        assert hostile.post("/study/study/corrections", finding=mark, new="3.4")[0].status == 303
    study = open_study(hostile.folder)
    assert not (study.findings["kind"] == "correction_not_applied").any()
    written = (hostile.folder / "corrections.csv").read_text(encoding="utf-8")
    assert "\x1b" not in written
    cells = [cell for row in csv.reader(written.splitlines()) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "@", "+"))]
