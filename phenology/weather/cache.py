"""Raw files as the network gave them, each with its address, time and hash beside it.

A file and its side file are put in place whole or not at all. A file whose hash no longer fits
counts as not held. That a file does not exist at the source is kept as well, so that "no data"
is never mistaken for "not asked".
"""

import hashlib
import json
import os
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from platformdirs import user_cache_path

from phenology.errors import StudyError


def _utc_now() -> datetime:
    return datetime.now(UTC)


def default_cache_dir() -> Path:
    """Where fetched weather is kept unless a user says otherwise."""
    return user_cache_path("migration-site-support") / "weather"


@dataclass(frozen=True)
class Held:
    """What the cache knows of one file.

    Attributes
    ----------
    key : str
        Path below the source's address.
    url : str
    fetched : str
        When it came, ISO 8601, UTC.
    sha256 : str
        Of the content; empty if the source has no such file.
    stale : str
        Why a newer copy could not be had; empty if it could.
    """

    key: str
    url: str
    fetched: str
    sha256: str
    stale: str = ""

    @property
    def is_absent(self) -> bool:
        """Whether the source said that there is no such file."""
        return not self.sha256

    def age(self, now: datetime) -> timedelta:
        """Time since it was fetched."""
        return now - datetime.fromisoformat(self.fetched)


@dataclass(frozen=True)
class RawCache:
    """A folder of raw files.

    Parameters
    ----------
    root : Path
    now : callable
        The clock.
    """

    root: Path
    now: Callable[[], datetime] = _utc_now

    def path(self, key: str) -> Path:
        """Where the content of a key lies."""
        return self.root / "raw" / key

    def held(self, key: str) -> Held | None:
        """What is held under a key; None if nothing whole is."""
        try:
            record = Held(**json.loads(self._side(key).read_text(encoding="utf-8")))
        except (OSError, ValueError, TypeError):
            return None
        return record if record.is_absent or self.path(key).is_file() else None

    def content(self, record: Held) -> bytes | None:
        """Content of a held file; None if it is not what was fetched."""
        try:
            content = self.path(record.key).read_bytes()
        except OSError:
            return None
        return content if hashlib.sha256(content).hexdigest() == record.sha256 else None

    def keep(self, key: str, url: str, content: bytes | None) -> Held:
        """Keep a file, or, without content, that there is none."""
        digest = "" if content is None else hashlib.sha256(content).hexdigest()
        record = Held(key, url, self.now().isoformat(timespec="seconds"), digest)
        if content is not None:
            _write_whole(self.path(key), content)
        self._write_side(record)
        return record

    def mark_stale(self, record: Held, why: str) -> Held:
        """Keep an old copy and note why there is no newer one."""
        marked = replace(record, stale=why)
        self._write_side(marked)
        return marked

    def _side(self, key: str) -> Path:
        return self.path(key + ".json")

    def _write_side(self, record: Held) -> None:
        _write_whole(self._side(record.key), json.dumps(asdict(record)).encode())


def _write_whole(path: Path, content: bytes) -> None:
    try:
        _replace(path, content)
    except OSError as error:
        raise StudyError(
            f"Fetched weather cannot be written to {path.parent}: {error.strerror or error}.",
            "Free space, or see that you may write there. What was fetched before is kept.",
        ) from None


def _replace(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
