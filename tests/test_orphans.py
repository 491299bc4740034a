"""A killed command leaves nobody at work."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

WORKER = """
import time
from phenology.compute import end_with_parent
end_with_parent()
print("at work", flush=True)
time.sleep(60)
"""
PARENT = f"""
import subprocess, sys, time
worker = subprocess.Popen([sys.executable, "-c", {WORKER!r}], stdout=subprocess.PIPE)
worker.stdout.readline()
print(worker.pid, flush=True)
time.sleep(60)
"""


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs Linux's /proc")
def test_a_worker_ends_soon_after_its_parent_was_killed() -> None:
    with subprocess.Popen([sys.executable, "-c", PARENT], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        worker = int(parent.stdout.readline())
        os.kill(worker, 0)
        parent.send_signal(signal.SIGKILL)
        parent.wait()
        for _ in range(100):
            if not _runs(worker):
                return
            time.sleep(0.1)
    pytest.fail("the worker still runs ten seconds after its parent was killed")


def _runs(process: int) -> bool:
    try:
        stat = Path(f"/proc/{process}/stat").read_text(encoding="ascii")
        return stat.rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False
