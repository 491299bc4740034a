"""From a moved slider to the redrawn figures, in the browser, on a run of the example."""

from __future__ import annotations

import shutil
import socket
import sys
import tempfile
import threading
import time
from pathlib import Path
from statistics import median
from typing import Any

from phenology.bench.example import EXAMPLE
from phenology.bench.measure import Measured, measure_process
from phenology.page.guard import HOST, Keys
from phenology.page.serve import make_server
from phenology.page.workspace import Workspace

CHROMIUM = "/usr/bin/chromium"
LONGEST_S = 0.1  # what feels at once


def bench_page(quick: bool) -> list[Measured]:
    """Move each slider through its steps, none of them asked for before."""
    scratch = Path(tempfile.mkdtemp(prefix="site-support-bench-"))
    try:
        study = scratch / "study"
        shutil.copytree(EXAMPLE, study)
        arguments = f'{{"study": "{study}", "out": null, "seed": null, "jobs": 2}}'
        measure_process([sys.executable, "-m", "phenology.compute", "run", arguments])
        taken = _served(study, quick)
    finally:
        shutil.rmtree(scratch)
    return [
        Measured(f"slider to figures, {what}", median(seconds), "at once", LONGEST_S)
        for what, seconds in taken.items()
    ]


def _served(study: Path, quick: bool) -> dict[str, list[float]]:
    with socket.create_server((HOST, 0)) as listening:
        keys = Keys(listening.getsockname()[1])
        server = make_server(Workspace(study, f"http://{keys.host}"), keys, str)
        thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        try:
            return _move_sliders(f"http://{keys.host}", keys.new_address(), quick)
        finally:
            server.should_exit = True
            thread.join()


def _move_sliders(root: str, address: str, quick: bool) -> dict[str, list[float]]:
    from playwright.sync_api import sync_playwright

    taken: dict[str, list[float]] = {}
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page()
        page.goto(address)
        rooms = {"one season": "scenarios", "all birds": "scenarios?site=&season="}
        for what, room in list(rooms.items())[: 1 if quick else None]:
            page.goto(f"{root}/study/study/{room}")
            page.wait_for_selector("html[data-drawn=yes]", state="attached")
            taken[what] = []
            for slider in page.locator("#sliders input:enabled").all():
                slider.focus()
                steps = int(slider.get_attribute("max") or 0)
                for key in ("Home", *["ArrowRight"] * steps):
                    taken[what].append(_move(page, key))
        browser.close()
    return taken


def _move(page: Any, key: str) -> float:
    """Seconds from the event of the slider until the last figure stands."""
    former = page.get_attribute("#sliders", "data-redrawn")
    page.keyboard.press(key)
    page.wait_for_selector(f"#sliders[data-redrawn]:not([data-redrawn='{former}'])")
    return float(page.get_attribute("#sliders", "data-milliseconds")) / 1000
