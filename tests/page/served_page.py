"""A served study and a client that speaks plain HTTP, as a hostile program would."""

from __future__ import annotations

import http.client
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlencode

from phenology.page.guard import HOST, Keys
from phenology.page.serve import make_server
from phenology.page.workspace import Workspace


@dataclass
class Served:
    """A running page: where it is and what it told."""

    folder: Path
    port: int
    address: str
    told: list[str] = field(default_factory=list)
    cookie: str = ""

    @property
    def root(self) -> str:
        return f"http://{HOST}:{self.port}"

    def ask(
        self,
        path: str,
        method: str = "GET",
        body: bytes | Iterator[bytes] | None = None,
        **headers: str,
    ) -> tuple[http.client.HTTPResponse, bytes]:
        """One request with the headers of our own page, unless others are given."""
        sent = {"cookie": self.cookie} | {
            name.replace("_", "-"): value for name, value in headers.items()
        }
        if method == "POST":
            sent.setdefault("origin", self.root)
            sent.setdefault("content-type", "application/x-www-form-urlencoded")
        connection = http.client.HTTPConnection(HOST, self.port, timeout=120)
        try:
            connection.request(method, path, body, sent)
            answer = connection.getresponse()
            return answer, answer.read()
        finally:
            connection.close()

    def post(self, path: str, **form: str) -> tuple[http.client.HTTPResponse, bytes]:
        return self.ask(path, "POST", urlencode(form).encode())

    def enter(self) -> None:
        """Exchange the printed key for the cookie."""
        answer, _ = self.ask(self.address.removeprefix(self.root))
        assert answer.status == 303
        self.cookie = (answer.getheader("set-cookie") or "").split(";")[0]


@contextmanager
def served_folder(folder: Path) -> Iterator[Served]:
    with socket.create_server((HOST, 0)) as listening:
        told: list[str] = []
        keys = Keys(listening.getsockname()[1])
        server = make_server(Workspace(folder, f"http://{keys.host}"), keys, told.append)
        thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        try:
            yield Served(folder, keys.port, keys.new_address(), told)
        finally:
            server.should_exit = True
            thread.join(timeout=20)
