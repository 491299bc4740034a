"""The local page, killed at any moment: sheets, settings and former results whole, and it starts.

Whatever the page said it had done is kept: a correction that was answered for stands in the file.
"""

import csv
import http.client
import io
import random
import re
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlencode

import pytest
from faults import PAGE_SHEETS, PAGE_TOML
from test_faults import content, some

from phenology.page.accepted import COLUMNS, mark_of
from phenology.study.study import open_study

SAID_WRONG = 1000  # cells of a study that can be corrected, one by one
HEAD = "site,date,time,band,species,wing_mm\n"
BOUNDARY = "invented-boundary"


class Browser:
    """A browser at one page: what it asked for, and how many corrections were answered for."""

    def __init__(self, page: subprocess.Popen, study: str) -> None:
        address = page.stdout.readline().decode()
        self.port = int(re.match(r"http://127\.0\.0\.1:(\d+)/", address)[1])
        self.study, self.cookie = f"/study/{study}", ""
        answer = self.ask("GET", address.split(str(self.port), 1)[1].strip())
        self.cookie = answer.getheader("set-cookie").split(";")[0]
        assert self.ask("GET", self.study).status == 200
        answer = self.post("sign", {"who": "tester"})
        assert answer.status == 303
        self.cookie += "; " + answer.getheader("set-cookie").split(";")[0]

    def ask(self, method: str, path: str, body: bytes = b"", kind: str = "text/plain"):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        headers = {"cookie": self.cookie, "content-type": kind}
        if method == "POST":
            headers["origin"] = f"http://127.0.0.1:{self.port}"
        try:
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            answer.read()
            return answer
        finally:
            connection.close()

    def post(self, room: str, form: dict[str, str]):
        kind = "application/x-www-form-urlencoded"
        return self.ask("POST", f"{self.study}/{room}", urlencode(form).encode(), kind)

    def drop(self, name: str, sheet: bytes):
        lines = [
            f'--{BOUNDARY}\r\ncontent-disposition: form-data; name="replace"\r\n\r\nyes\r\n',
            f'--{BOUNDARY}\r\ncontent-disposition: form-data; name="sheets"; filename="{name}"'
            "\r\ncontent-type: text/csv\r\n\r\n",
        ]
        body = "".join(lines).encode() + sheet + f"\r\n--{BOUNDARY}--\r\n".encode()
        kind = f"multipart/form-data; boundary={BOUNDARY}"
        return self.ask("POST", f"{self.study}/sheets", body, kind)


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """A study with former results and many cells to correct."""
    folder = tmp_path / "study"
    (folder / "results").mkdir(parents=True)
    (folder / "results" / "report.html").write_text("the former report")
    (folder / "results" / "summary.json").write_text('{"files": ["report.html"]}')
    (folder / "study.toml").write_text(PAGE_TOML[0])
    (folder / "sites.csv").write_text("site,latitude,longitude\nfork,30.1,-108.2\n")
    rows = [f"frok,2031-07-10,8:{n % 60:02d},TEST-{n:05d},RUHU,40.1\n" for n in range(SAID_WRONG)]
    (folder / "captures_misspelt.csv").write_text(HEAD + "".join(rows))
    (folder / "captures.csv").write_bytes(PAGE_SHEETS[0])
    return folder


@contextmanager
def served(study: Path):
    command = [sys.executable, "-m", "phenology", "serve", str(study)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as page:
        try:
            yield page
        finally:
            page.kill()


def work_on(browser: Browser, rng: random.Random, marks: list[str], answered: list[str]) -> None:
    """Correct, save settings, drop sheets, start and stop runs, until the page is gone."""
    while True:
        deed = rng.choices(["correct", "settings", "sheet", "start", "stop"], [8, 4, 4, 1, 1])[0]
        if deed == "correct":
            said = browser.post("corrections", {"finding": marks.pop(), "new": "fork"})
            assert said.status == 303
            answered.append(deed)
        elif deed == "settings":
            assert browser.post(deed, {"text": rng.choice(PAGE_TOML)}).status == 303
        elif deed == "sheet":
            assert browser.drop("captures.csv", rng.choice(PAGE_SHEETS)).status == 303
        else:
            assert browser.post(deed, {}).status == 303


def require_whole(study: Path, former: dict[str, str], answered: int, kills: int) -> None:
    """Every file as it was or as it was to be; a killed correction may stand unanswered for."""
    assert content(study / "results") == former
    assert (study / "study.toml").read_text() in PAGE_TOML
    assert (study / "captures.csv").read_bytes() in PAGE_SHEETS
    for kept in (study / "former").glob("*.csv"):
        assert kept.read_bytes() in PAGE_SHEETS
    path = study / "corrections.csv"
    text = path.read_text() if path.exists() else ""
    rows = list(csv.reader(io.StringIO(text)))[1:]
    assert {len(row) for row in rows} <= {len(COLUMNS)}
    assert text.endswith("\n") or not text
    assert answered <= len(rows) <= answered + kills


@pytest.mark.parametrize("moments", [2, pytest.param(50, marks=pytest.mark.slow)])
def test_killed_at_random_moments_of_a_session(study, tried, moments):
    findings = open_study(study).findings
    marks = [mark_of(row) for row in findings.to_dict("records") if row["column"] == "site"]
    assert len(marks) == SAID_WRONG
    former = content(study / "results")
    rng = random.Random(11)
    answered: list[str] = []
    wrong: list[Exception] = []

    def session(browser: Browser, seed: int) -> None:
        try:
            work_on(browser, random.Random(seed), marks, answered)
        except (OSError, http.client.HTTPException):
            pass  # the page was killed
        except (AssertionError, IndexError) as error:
            wrong.append(error)

    for kills in range(1, moments + 1):
        with served(study) as page:
            arguments = Browser(page, study.name), kills
            worker = threading.Thread(target=session, args=arguments)
            worker.start()
            time.sleep(rng.uniform(0.0, 1.5))
            page.kill()
            page.wait()
            worker.join()
        assert not wrong
        require_whole(study, former, len(answered), kills)
        tried("a page session", "kill -9 at a random moment", "files whole; the next start works")
    assert answered
    with served(study) as page:
        Browser(page, study.name)


FAULTS = {
    "kill": "kill -9", "full": "disk full", "denied": "permission taken away",
    "broken": "disk error",
}  # fmt: skip


@pytest.mark.parametrize("share", [4, pytest.param(10**6, marks=pytest.mark.slow)])
@pytest.mark.parametrize("fault", FAULTS)
def test_broken_off_at_each_step_of_what_a_page_writes(breaker, study, tried, share, fault):
    former = content(study / "results")
    steps = breaker.order("page", study, 1)["steps"]
    assert steps > 10
    for at in some(steps, share, 3):
        (study / "corrections.csv").unlink(missing_ok=True)
        told = breaker.order("page", study, 1 + at % 2, fault=fault, at=at)
        expected = {"killed"} if fault == "kill" else {"refused", "done"}
        assert told["ended"] in expected, (at, told)
        assert "cannot be" in told["words"] or told["ended"] != "refused"
        require_whole(study, former, 0, 1)
        said = "refused in words; " if told["ended"] == "refused" else ""
        tried("a page session", f"{FAULTS[fault]} at each step of writing", f"{said}files whole")
    assert breaker.order("page", study, 1)["ended"] == "done"
    assert not list(study.glob(".*"))  # nor does what was half written stay


@pytest.mark.parametrize("moments", [6, pytest.param(50, marks=pytest.mark.slow)])
def test_a_correction_killed(breaker, study, tried, moments):
    """The row is there, whole, or it is not; rows before it stay."""
    former = content(study / "results")
    assert breaker.order("correct", study)["ended"] == "done"
    steps = breaker.order("correct", study)["steps"]
    rng = random.Random(6)
    for kills in range(1, moments + 1):
        told = breaker.order("correct", study, fault="kill", at=rng.randint(1, steps))
        assert told["ended"] == "killed"
        require_whole(study, former, 2, kills)
        tried(
            "a correction", "kill -9 as it is written", "former rows whole; the new one too, if any"
        )
    corrections = open_study(study).sheets["corrections"]
    assert corrections["new"].eq("fork").all()
