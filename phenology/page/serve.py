"""Serving the page on this machine: a free port, one printed address, and an orderly end."""

from __future__ import annotations

import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from phenology.page.guard import HOST, Guard, Keys
from phenology.page.workspace import Workspace

if TYPE_CHECKING:
    import uvicorn

GRACE_S = 3  # for answers under way when the server is stopped


def serve(folder: Path, port: int, tell: Callable[[str], object]) -> None:
    """Serve a study, or a folder of studies, until stopped.

    Parameters
    ----------
    folder : Path
    port : int
        0 takes a free one.
    tell : callable
        Called with the address at once, and again when a used one is opened anew.

    Raises
    ------
    StudyError
        If the folder is none, or is a study that another page has open.
    """
    with socket.create_server((HOST, port)) as listening:
        keys = Keys(listening.getsockname()[1])
        workspace = Workspace(folder, f"http://{keys.host}")
        with _interrupt_held():
            tell(keys.new_address())  # before what is slow to import: a browser may wait meanwhile
            server = make_server(workspace, keys, tell)
        server.run(sockets=[listening])


@contextmanager
def _interrupt_held() -> Iterator[None]:
    """Keep Ctrl-C until the end: a library that prints or is being imported may swallow it."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    former = signal.signal(signal.SIGINT, lambda number, _: came.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, former)
    if came:
        raise KeyboardInterrupt


def make_server(workspace: Workspace, keys: Keys, tell: Callable[[str], object]) -> uvicorn.Server:
    """The server of a workspace, guarded; it lets the workspace go when it stops."""
    import uvicorn

    from phenology.page.app import make_app

    config = uvicorn.Config(
        Guard(make_app(workspace), keys, tell),
        log_config=None,
        log_level="critical",  # a defect is told on the page, and kept in a log of its own
        access_log=False,
        ws="none",
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=GRACE_S,
        lifespan="on",
    )
    return uvicorn.Server(config)
