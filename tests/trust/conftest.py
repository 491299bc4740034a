"""A process that breaks at will, and the table of what was tried and what happened."""

import csv
import datetime as dt
import http.server
import json
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest
from faults import write_archive

TRIED = pytest.StashKey[Counter]()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--tried", metavar="FILE", help="write the table of what was tried")


def pytest_configure(config: pytest.Config) -> None:
    config.stash[TRIED] = Counter()


@pytest.fixture
def tried(request: pytest.FixtureRequest) -> Callable[[str, str, str], None]:
    """Note one thing tried: what was being done, what befell it, what happened."""

    def note(doing: str, fault: str, happened: str) -> None:
        request.config.stash[TRIED][doing, fault, happened] += 1

    return note


def pytest_sessionfinish(session: pytest.Session) -> None:
    path = session.config.getoption("--tried", None)
    if not path:
        return
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False
    ).stdout.strip()
    now = session.config.stash[TRIED]
    today = dt.datetime.now(dt.UTC).date().isoformat()
    rows = [[*what, str(times), today, commit] for what, times in now.items()]
    again = {(doing, fault) for doing, fault, _ in now}
    rows += [row for row in _table(Path(path)) if (row[0], row[1]) not in again]
    with Path(path).open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["doing", "fault", "what happened", "times", "date", "commit"])
        writer.writerows(sorted(rows))


def _table(path: Path) -> list[list[str]]:
    """Rows of a former table: what is not tried again keeps its date and commit."""
    if not path.exists():
        return []
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.reader(file))[1:]


class Breaker:
    """Orders to the process of `faults.py`."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("faults.py"))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout.readline() == "ready\n"

    def order(self, what: str, out: Path, seed: int = 2, **more: object) -> dict:
        order = {"what": what, "out": str(out), "seed": seed, "below": str(out.parent), **more}
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()
        return json.loads(self._process.stdout.readline())

    def close(self) -> None:
        self._process.stdin.close()
        self._process.wait(20)
        self._process.stdout.close()


@pytest.fixture(scope="session")
def breaker() -> Iterator[Breaker]:
    started = Breaker()
    yield started
    started.close()


class _Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture(scope="session")
def archive_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Files to fetch, served on loopback."""
    folder = tmp_path_factory.mktemp("archive")
    write_archive(folder)
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), partial(_Quiet, directory=folder))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()
