"""Who may speak to the local page: this machine's browser, with a key, and nobody else.

Every request passes here first. The printed address carries a key that works once and is
exchanged for a cookie; a request from another origin, for another host or without the cookie is
refused before any page sees it.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

HOST = "127.0.0.1"
OPEN_PATH = "/open"
REMEMBERED_S = 30 * 24 * 3600  # a browser closed and opened again is still let in
READING = ("GET", "HEAD")

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self'; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "cache-control": "no-store",
    "referrer-policy": "same-origin",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


@dataclass
class Keys:
    """The key of the printed address, good for one use, and the cookie it buys."""

    port: int
    cookie: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    _fresh: str = ""
    _spent: set[str] = field(default_factory=set)

    @property
    def host(self) -> str:
        """Where the page is, as a browser names it."""
        return f"{HOST}:{self.port}"

    def new_address(self) -> str:
        """An address to print, with a fresh key; a former one no longer works."""
        if self._fresh:
            self._spent.add(self._fresh)
        self._fresh = secrets.token_urlsafe(24)
        return f"http://{self.host}{OPEN_PATH}?key={self._fresh}"

    def spend(self, key: str) -> bool:
        """Use a key up; says whether it was the fresh one."""
        if not self._fresh or not secrets.compare_digest(key.encode(), self._fresh.encode()):
            return False
        self._spent.add(self._fresh)
        self._fresh = ""
        return True

    def was_spent(self, key: str) -> bool:
        """Whether a key worked once and no longer does."""
        return key in self._spent


class Guard:
    """Refuse what does not come from our own page in the browser it was opened in.

    Parameters
    ----------
    app : ASGI application
    keys : Keys
    tell_address : callable
        Called with a fresh address when a used one is opened again.
    """

    def __init__(self, app: ASGIApp, keys: Keys, tell_address: Callable[[str], object]) -> None:
        self._app = app
        self._keys = keys
        self._tell_address = tell_address
        self._host = keys.host
        self._cookie_name = f"site_support_{keys.port}"  # cookies are shared by all ports of a host

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # no WebSocket is ever opened
            await send({"type": "websocket.close", "code": 1008})
            return
        refusal = self._refusal(Request(scope))

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        await (refusal or self._app)(scope, receive, send_guarded)

    def _refusal(self, request: Request) -> Response | None:
        """The answer to a request that may not pass; None if it may."""
        headers = request.headers
        if headers.getlist("host") != [self._host]:
            return _refused(f"This page is served as {self._host} only.", 421)
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return _refused("Another page may not use this one.")
        if not self._origin_is_ours(headers, request.method):
            return _refused("Another page may not use this one.")
        if request.url.path == OPEN_PATH:
            return self._open(request)
        cookie = request.cookies.get(self._cookie_name, "")
        if not secrets.compare_digest(cookie.encode(), self._keys.cookie.encode()):
            return _refused("Open the address that 'site-support serve' printed in the terminal.")
        return None

    def _origin_is_ours(self, headers: Headers, method: str) -> bool:
        origin = headers.get("origin")
        if origin is None:
            return method in READING  # browsers name the origin of everything that writes
        return origin == f"http://{self._host}"

    def _open(self, request: Request) -> Response:
        key = (parse_qs(request.url.query).get("key") or [""])[0]
        if not self._keys.spend(key):
            if not self._keys.was_spent(key):
                return _refused("This address is not the one that was printed in the terminal.")
            cookie = request.cookies.get(self._cookie_name, "")
            if secrets.compare_digest(cookie.encode(), self._keys.cookie.encode()):
                return RedirectResponse("/", 303)
            self._tell_address(self._keys.new_address())
            return _refused("This address was used already; a fresh one is in the terminal.")
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            self._cookie_name,
            self._keys.cookie,
            max_age=REMEMBERED_S,
            httponly=True,
            samesite="strict",
        )
        return answer


def _refused(reason: str, status: int = 403) -> Response:
    return PlainTextResponse(reason + "\n", status)
