"""Measuring one thing against another, each in a process of its own where memory matters."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Measured:
    """One row of the table: what took how long, against what, in this run on this machine."""

    subject: str
    seconds: float
    against: str = ""
    against_seconds: float = float("nan")
    peak_gib: float = float("nan")

    @property
    def ratio(self) -> float:
        """Time of the subject over the time of what it is measured against."""
        return self.seconds / self.against_seconds


@dataclass(frozen=True)
class ProcessUse:
    """What a finished process used, by the operating system's own accounting."""

    seconds: float
    peak_gib: float


def measure_process(command: Sequence[str], **environment: str) -> ProcessUse:
    """Run a command to its end and account for it.

    Raises
    ------
    RuntimeError
        If the command fails; its standard error is the message.
    """
    began = time.perf_counter()
    process = subprocess.Popen(  # noqa: S603
        list(command),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env=os.environ | environment,
    )
    assert process.stderr is not None
    complaint = process.stderr.read().decode(errors="replace")
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise RuntimeError(complaint)
    return ProcessUse(time.perf_counter() - began, usage.ru_maxrss / 1024**2)


def measure_python(code: str, **environment: str) -> ProcessUse:
    """Run a piece of Python in a fresh interpreter and account for it."""
    return measure_process([sys.executable, "-c", code], **environment)


def median_seconds(call: Callable[[], object], times: int) -> float:
    """Median wall time of several calls in this process."""
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        call()
        taken.append(time.perf_counter() - began)
    return sorted(taken)[times // 2]
