"""Fetching raw files: the only part of the package that opens a connection to the network.

A file that the source does not have is "no data"; a fetch that failed is an error; the two are
never mistaken for one another. A failed refresh leaves the old copy in use and marks it stale.
"""

import gzip
import http.client
import time
import urllib.error
import urllib.request
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from urllib.parse import urlsplit

from phenology.errors import StudyError
from phenology.weather.cache import Held, RawCache

SOURCE_URL = "https://data.meteostat.net"
STATIONS_KEY = "stations.db"
STATIONS_MAX_AGE = timedelta(days=7)
RECENT_MAX_AGE = timedelta(days=1)  # this year's files and last year's still grow
SETTLED_MAX_AGE = timedelta(days=30)
LARGEST_FILE_BYTES = 300_000_000
LONGEST_WAIT_S = 30.0
_SQLITE_MAGIC = b"SQLite format 3\x00"
_HTTP_RETRY = {408, 425, 429, 500, 502, 503, 504}


class FetchError(StudyError):
    """A file could not be fetched and no older copy is held."""


class NotFetchedError(StudyError):
    """Offline, and the file was never fetched."""


class _Failed(Exception):
    def __init__(self, why: str, *, retry: bool = True, wait_s: float = 0.0) -> None:
        super().__init__(why)
        self.why, self.retry, self.wait_s = why, retry, wait_s


@dataclass(frozen=True)
class Fetcher:
    """Gives raw files from the cache, and from the source when the cache's are missing or old.

    Parameters
    ----------
    cache : RawCache
    source_url : str
    offline : bool
        Open no connection; use what is held, however old.
    timeout_s : float
        Longest silence of the server [s].
    deadline_s : float
        Longest time one file may take [s].
    tries : int
    pause_s : float
        Wait before the second try, doubled before each further one [s].
    """

    cache: RawCache
    source_url: str = SOURCE_URL
    offline: bool = False
    timeout_s: float = 20.0
    deadline_s: float = 120.0
    tries: int = 3
    pause_s: float = 1.0
    sleep: Callable[[float], None] = time.sleep

    def fetch(self, key: str, max_age: timedelta) -> Held:
        """Give a file, fresh if possible.

        Returns
        -------
        Held
            `is_absent` if the source has no such file; `stale` says why it is old.

        Raises
        ------
        NotFetchedError
            Offline and not held.
        FetchError
            The source failed and nothing is held.
        """
        held = self.cache.held(key)
        if held is not None and not held.is_absent and self.cache.content(held) is None:
            held = None
        if self.offline:
            if held is None:
                raise NotFetchedError(
                    f"{key} was never fetched, and this run is offline.",
                    "Run 'site-support weather STUDY' once with a connection.",
                )
            return held
        if held is not None and not held.stale and self._is_fresh(held, max_age):
            return held
        url = f"{self.source_url}/{key}"
        try:
            content = self._download(key, url)
        except _Failed as failure:
            if held is not None and not held.is_absent:
                return self.cache.mark_stale(held, failure.why)
            raise FetchError(
                f"{url} could not be fetched: {failure.why}.",
                "Try again later; what was fetched so far is kept.",
            ) from None
        if content is None and held is not None and not held.is_absent:
            return self.cache.mark_stale(held, "the source no longer has it")
        return self.cache.keep(key, url, content)

    def _is_fresh(self, held: Held, max_age: timedelta) -> bool:
        """Whether a copy is young; of one fetched in the future a clock was wrong."""
        return timedelta(0) <= held.age(self.cache.now()) < max_age

    def _download(self, key: str, url: str) -> bytes | None:
        """Content of a file, None if there is none; tries again where that may help."""
        for attempt in range(1, self.tries + 1):
            try:
                content = self._read(url)
                if content is not None:
                    check_content(key, content)
            except _Failed as failure:
                if attempt == self.tries or not failure.retry:
                    raise
                self.sleep(max(failure.wait_s, self.pause_s * 2 ** (attempt - 1)))
            else:
                return content
        raise AssertionError("unreachable: the last try returns or raises")

    def _read(self, url: str) -> bytes | None:
        if urlsplit(url).scheme not in ("http", "https"):
            raise _Failed("its address is neither http nor https", retry=False)
        request = urllib.request.Request(  # noqa: S310 -- the scheme was checked above
            url, headers={"User-Agent": "migration-site-support", "Accept-Encoding": "identity"}
        )
        started = time.monotonic()
        parts: list[bytes] = []
        size = 0
        try:
            with urllib.request.urlopen(request, timeout=self.timeout_s) as answer:  # noqa: S310
                while part := answer.read1(1 << 16):
                    parts.append(part)
                    size += len(part)
                    if size > LARGEST_FILE_BYTES:
                        raise _Failed("it is larger than any file expected", retry=False)
                    if time.monotonic() - started > self.deadline_s:
                        raise _Failed(f"it took longer than {self.deadline_s:.0f} s")
                declared = answer.headers.get("Content-Length")
        except urllib.error.HTTPError as error:
            with error:
                if error.code in (404, 410):
                    return None
                raise _failure_of(error) from None
        except TimeoutError:
            raise _Failed(f"the server was silent for {self.timeout_s:g} s") from None
        except urllib.error.URLError as error:
            silent = isinstance(error.reason, TimeoutError)
            why = f"the server was silent for {self.timeout_s:g} s" if silent else error.reason
            raise _Failed(f"{why}") from None
        except (http.client.HTTPException, OSError) as error:
            raise _Failed(f"the connection broke ({type(error).__name__})") from None
        if declared is not None and declared.isdigit() and size < int(declared):
            raise _Failed(f"it was cut short: {size} of {declared} bytes came")
        return b"".join(parts)


def max_age_of_year(year: int, this_year: int) -> timedelta:
    """How old a copy of a year's file may be before it is fetched anew."""
    return RECENT_MAX_AGE if this_year - year < 2 else SETTLED_MAX_AGE


def check_content(key: str, content: bytes) -> None:
    """Refuse what is not a file of this kind: cut short, a web page, or something else."""
    if key == STATIONS_KEY:
        if not content.startswith(_SQLITE_MAGIC):
            raise _Failed(f"it is {_looks_like(content)}, not a station list")
        page = int.from_bytes(content[16:18], "big")
        pages = int.from_bytes(content[28:32], "big")
        if len(content) < (65536 if page == 1 else page) * pages:
            raise _Failed("the station list was cut short")
        return
    if not content.startswith(b"\x1f\x8b"):
        raise _Failed(f"it is {_looks_like(content)}, not gzipped data")
    try:
        text = gzip.decompress(content)
    except (EOFError, OSError, zlib.error):
        raise _Failed("it was cut short or damaged: the archive does not unpack") from None
    if not text.startswith(b"year,month,day"):
        raise _Failed(f"inside is {_looks_like(text)}, not a table of days or hours")


def _looks_like(content: bytes) -> str:
    start = content[:200].lstrip().lower()
    return "a web page" if start.startswith((b"<!doctype", b"<html", b"<")) else "something else"


def _failure_of(error: urllib.error.HTTPError) -> _Failed:
    wait = error.headers.get("Retry-After", "") if error.headers else ""
    return _Failed(
        f"the server answered {error.code}" + (", too many requests" if error.code == 429 else ""),
        retry=error.code in _HTTP_RETRY,
        wait_s=min(float(wait), LONGEST_WAIT_S) if wait.isdigit() else 0.0,
    )
