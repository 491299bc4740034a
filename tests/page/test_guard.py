"""Who is refused: each guard by itself, over real sockets."""

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from served_page import Served, served_folder

from phenology.errors import StudyError
from phenology.page.guard import HEADERS, Guard, Keys
from phenology.page.workspace import Workspace

WriteStudy = Callable[..., Path]


def test_a_request_without_the_cookie_is_refused(served: Served) -> None:
    assert served.ask("/study/study")[0].status == 200
    cookie, served.cookie = served.cookie, ""
    assert served.ask("/study/study")[0].status == 403
    served.cookie = cookie[:-1] + ("a" if cookie[-1] != "a" else "b")
    answer, body = served.ask("/study/study")
    assert (answer.status, b"invented" in body.lower()) == (403, False)


def test_a_wrong_key_is_refused_and_the_right_one_works_once(served: Served) -> None:
    served.cookie = ""
    assert served.ask("/open?key=guessed")[0].status == 403
    assert served.told == []  # a guess makes the terminal say nothing
    answer, body = served.ask(served.address.removeprefix(served.root))
    assert answer.status == 403
    assert b"used already" in body
    (fresh,) = served.told
    answer, _ = served.ask(fresh.removeprefix(served.root))
    assert answer.status == 303
    cookie = answer.getheader("set-cookie") or ""
    assert "httponly" in cookie.lower()
    assert "samesite=strict" in cookie.lower()


@pytest.mark.parametrize("host", ["evil.example", "localhost", "127.0.0.1:1", "127.0.0.1"])
def test_a_foreign_host_is_refused(served: Served, host: str) -> None:
    answer, body = served.ask("/study/study", host=host)
    assert answer.status == 421
    assert b"<html" not in body


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:1"},
        {"sec_fetch_site": "cross-site"},
        {"sec_fetch_site": "same-site"},
    ],
)
@pytest.mark.parametrize(
    ("path", "method"), [("/study/study", "GET"), ("/study/study/start", "POST")]
)
def test_another_page_may_neither_read_nor_write(
    served: Served, headers: dict[str, str], path: str, method: str
) -> None:
    assert served.ask(path, method, **headers)[0].status == 403
    assert b'"idle"' in served.ask("/study/study/run")[1]


def test_writing_needs_an_origin(served: Served) -> None:
    connection = Served(served.folder, served.port, "")
    answer, _ = connection.ask("/study/study/start", "PUT", cookie=served.cookie)
    assert answer.status == 403


@pytest.mark.parametrize("chunked", [False, True])
def test_an_oversized_body_is_refused(served: Served, chunked: bool) -> None:
    large = b"text=" + b"x" * 400_000
    pieces: bytes | Iterator[bytes] = iter([large[:200_000], large[200_000:]]) if chunked else large
    before = (served.folder / "study.toml").read_text()
    answer, _ = served.ask("/study/study/settings", "POST", pieces)
    assert answer.status == 413
    assert (served.folder / "study.toml").read_text() == before


@pytest.mark.parametrize(
    "path",
    [
        "/study/..",
        "/study/%2e%2e/findings",
        "/study/study/file/..%2f..%2fstudy.toml",
        "/study/study/file/../../study.toml",
        "/study/study/file/%2fetc%2fpasswd",
        "/assets/..%2f..%2ferrors.py",
        "/assets/app.py",
    ],
)
def test_no_path_leads_outside(served: Served, path: str) -> None:
    answer, body = served.ask(path)
    assert answer.status in (404, 422)
    assert b"Selasphorus rufus" not in body
    assert b"root:" not in body


def test_a_link_among_the_results_is_not_followed_outside(served: Served) -> None:
    results = served.folder / "results"
    results.mkdir()
    (results / "secret.csv").symlink_to(served.folder / "captures.csv")
    invented = (
        '{"files": ["secret.csv"], "schema": 2, "inputs": {}, '
        '"options": {"name": "x", "species": {"Selasphorus rufus": "passage"}}}'
    )
    (results / "summary.json").write_text(invented)
    (results / "draws.nc").write_bytes(b"")
    assert served.ask("/study/study/files")[0].status == 200
    assert served.ask("/study/study/file/secret.csv")[0].status == 404


def test_a_second_page_on_the_same_study_is_told_where_the_first_is(served: Served) -> None:
    with pytest.raises(StudyError, match=f"open already, at {served.root}"):
        Workspace(served.folder, "http://127.0.0.1:9")
    around = Workspace(served.folder.parent, "http://127.0.0.1:9")
    with pytest.raises(StudyError, match="open already"):
        around.desk("study")


def test_a_study_let_go_can_be_opened_again(write_study: WriteStudy) -> None:
    folder = write_study(captures=[])
    for _ in range(2):
        with served_folder(folder) as page:
            page.enter()
            assert page.ask("/study/study")[0].status == 200


def test_every_answer_carries_the_headers(served: Served) -> None:
    paths = ["/study/study", "/nothing", "/assets/page.css", "/study/study/season", "/open?key=x"]
    for path in paths:
        answer, _ = served.ask(path)
        for name, value in HEADERS.items():
            assert answer.getheader(name) == value, (path, name)


def test_no_websocket_is_opened(served: Served) -> None:
    upgrade = {
        "connection": "Upgrade",
        "upgrade": "websocket",
        "sec_websocket_version": "13",
        "sec_websocket_key": "dGhlIHNhbXBsZSBub25jZQ==",  # the sample nonce of RFC 6455
    }
    assert served.ask("/study/study", **upgrade)[0].status != 101


def test_the_guard_closes_a_websocket_by_itself() -> None:
    import asyncio

    async def app(*_: object) -> None:
        raise AssertionError("the app was reached")

    sent = []

    async def send(message: object) -> None:
        sent.append(message)

    guard = Guard(app, Keys(80), print)
    asyncio.run(guard({"type": "websocket", "path": "/", "headers": []}, app, send))
    assert sent == [{"type": "websocket.close", "code": 1008}]


def test_the_address_is_one_whole_flushed_line_also_into_a_pipe(write_study: WriteStudy) -> None:
    folder = write_study(captures=[{"site": "fork", "date": "2031-07-10"}])
    command = [sys.executable, "-m", "phenology", "serve", str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as served:
        try:
            line = served.stdout.readline().decode()
            assert re.fullmatch(r"http://127\.0\.0\.1:\d+/open\?key=[\w-]{32}\n", line)
            os.kill(served.pid, signal.SIGINT)
            out, complaint = served.communicate(timeout=120)
        finally:
            served.kill()
    assert (out, b"Traceback" in complaint) == (b"", False)
    assert served.returncode in (0, 130)  # stopped as it served, or before it could
