"""A run started from the page: it goes on when the browser is closed, and can be stopped."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from phenology.compute import Computation, Defect
from phenology.errors import StudyError

JOBS = 2  # models fitted at once


@dataclass(frozen=True)
class JobState:
    """How far a run is, as the page shows it."""

    state: Literal["idle", "running", "done", "stopped", "failed"] = "idle"
    doing: str = ""
    share: float = 0.0
    began: float = 0.0
    told: tuple[str, ...] = ()
    remedy: str = ""

    def shown(self) -> dict[str, Any]:
        """As the browser asks for it."""
        seconds = time.monotonic() - self.began if self.state == "running" else 0.0
        return {
            "state": self.state,
            "doing": self.doing,
            "share": round(self.share, 3),
            "seconds": round(seconds),
            "told": list(self.told),
            "remedy": self.remedy,
        }


class RunJob:
    """At most one run of a study at a time, whoever asks."""

    def __init__(self, study: Path) -> None:
        self._study = study
        self._lock = threading.Lock()
        self._computation: Computation | None = None
        self._state = JobState()
        self._stopping = False

    @property
    def state(self) -> JobState:
        """Where the run is now."""
        with self._lock:
            return self._state

    def start(self) -> bool:
        """Start a run; says no if one is under way already."""
        with self._lock:
            if self._state.state == "running":
                return False
            self._stopping = False
            self._state = JobState("running", "Starting", 0.0, time.monotonic())
            self._computation = Computation(
                "run", study=str(self._study), out=None, seed=None, jobs=JOBS
            )
            threading.Thread(target=self._follow, args=(self._computation,), daemon=True).start()
            return True

    def stop(self) -> None:
        """End the run, if there is one; former results stay."""
        with self._lock:
            if self._computation is not None and self._state.state == "running":
                self._stopping = True
                self._computation.stop()

    def _follow(self, computation: Computation) -> None:
        try:
            with computation:
                result = computation.follow(self._progress)
            ended = JobState("done", told=tuple(result["told"]))
        except StudyError as error:
            ended = JobState("failed", told=(error.what,), remedy=error.remedy)
        except Defect as defect:
            ended = self._defect(str(defect))
        except Exception as error:  # noqa: BLE001  # a thread that dies in silence tells nobody
            ended = self._defect(repr(error))
        with self._lock:
            stopped = self._stopping and ended.state == "failed"
            told = ("Stopped. Former results are as they were.",)
            self._state = JobState("stopped", told=told) if stopped else ended
            self._computation = None

    def _progress(self, what: str, share: float) -> None:
        with self._lock:
            self._state = replace(self._state, doing=what, share=share)

    def _defect(self, text: str) -> JobState:
        from phenology.cli.shown import kept_log

        if self._stopping:
            return JobState("failed")
        told = "The run broke off: this is our defect, not yours. Former results are as they were."
        return JobState("failed", told=(told,), remedy=kept_log(text))
