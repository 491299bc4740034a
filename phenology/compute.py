"""Long computation in a child process, so that it can be stopped at any moment without harm.

The parent starts ``python -m phenology.compute TASK ARGUMENTS`` and reads one JSON object a line:
progress while it works, then a result, a message for the user, or a defect.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable
from importlib import import_module
from typing import Any

from phenology.errors import StudyError

Progress = Callable[[str, float], None]  # what is being done, and the share done (0 to 1)

# task: where it is. Each takes `progress` and keyword arguments that JSON can carry.
TASKS = {
    "run": "phenology.assess.command:run_study",
    "forecast": "phenology.ahead.command:forecast_task",
    "plan": "phenology.ahead.plan_command:plan_task",
    "simulate": "phenology.simulate:simulate_task",
}


# Our matrices are small: threads of the libraries would mostly wait for each other. And more of
# them add in another order: the same sheets would give other last digits, then other draws.
ONE_THREAD = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "NPROC": "1",  # of XLA
    # Passes that take longer than they save, in compiling and in code that runs no faster.
    "XLA_FLAGS": "--xla_cpu_multi_thread_eigen=false --xla_backend_optimization_level=1"
    " --xla_llvm_disable_expensive_passes=true",
}


class Defect(Exception):
    """Our mistake, not the user's; carries the child's traceback."""


def quiet(_what: str, _share: float) -> None:
    """Report progress to nobody."""


def compute(task: str, progress: Progress = quiet, **arguments: Any) -> Any:
    """Run one of `TASKS` in a child process and return its result.

    Raises
    ------
    StudyError
        What the user can mend.
    Defect
        What we must mend.
    KeyboardInterrupt
        Passed on once the child has been stopped.
    """
    with Computation(task, **arguments) as computation:
        return computation.follow(progress)


class Computation:
    """One of `TASKS` at work in a child process; leaving the context ends it and its children."""

    def __init__(self, task: str, **arguments: Any) -> None:
        command = [sys.executable, "-m", "phenology.compute", task, json.dumps(arguments)]
        self._child = subprocess.Popen(  # noqa: S603
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            stdin=subprocess.DEVNULL,
            env=os.environ | ONE_THREAD,
            start_new_session=True,  # so that its own children are ended with it
        )

    def __enter__(self) -> Computation:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        self._child.communicate()  # waits, and closes the pipes

    def follow(self, progress: Progress = quiet) -> Any:
        """Wait for the result; raises as `compute` does."""
        return _follow(self._child, progress)

    def stop(self) -> None:
        """End the computation, also from another thread: `follow` then raises `Defect`."""
        if hasattr(os, "killpg"):
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(self._child.pid, signal.SIGKILL)
        self._child.kill()


def end_with_parent() -> None:
    """End this process soon after its parent is gone, however that was ended.

    Called by the computation and by every worker it starts: a killed command leaves nobody at work.
    """
    parent = os.getppid()

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(1.0)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _follow(child: subprocess.Popen[bytes], progress: Progress) -> Any:
    assert child.stdout is not None
    assert child.stderr is not None
    for line in child.stdout:
        event = json.loads(line)
        if "progress" in event:
            progress(event["progress"], event["share"])
        elif "result" in event:
            return event["result"]
        elif "error" in event:
            raise StudyError(event["error"], event["remedy"])
        else:
            raise Defect(event["defect"])
    complaint = child.stderr.read().decode(errors="replace")
    if child.wait() < 0:
        complaint = f"The computation was ended by signal {-child.returncode}.\n{complaint}"
    raise Defect(complaint)


def _answer(event: dict[str, Any]) -> None:
    line = json.dumps(event, allow_nan=False)
    os.write(_ANSWERS, line.encode() + b"\n")


_ANSWERS = 1


def main() -> None:
    """Do one task and answer on standard output; what libraries print goes nowhere."""
    global _ANSWERS  # noqa: PLW0603
    _ANSWERS = os.dup(1)
    os.dup2(2, 1)
    end_with_parent()
    task, arguments = sys.argv[1], json.loads(sys.argv[2])
    with contextlib.suppress(BrokenPipeError, KeyboardInterrupt):
        try:
            module, function = TASKS[task].split(":")
            result = getattr(import_module(module), function)(
                progress=lambda what, share: _answer({"progress": what, "share": share}),
                **arguments,
            )
            _answer({"result": result})
        except StudyError as error:
            _answer({"error": error.what, "remedy": error.remedy})
        except Exception:  # noqa: BLE001  # the parent tells the user and keeps the log
            _answer({"defect": traceback.format_exc()})


if __name__ == "__main__":
    main()
