"""The page in Chromium, from a dropped workbook to the report that comes of it."""

from __future__ import annotations

import csv
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from messy_study import RETURNING, TOML, write_messy_workbook
from served_page import Served, served_folder

pytestmark = pytest.mark.browser

CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
RUN_MS = 400_000
ROOMS = ("", "findings", "season", "scenarios", "birds", "bird?band=" + RETURNING, "sites", "files")


@dataclass
class Window:
    """A page, with what its console said and what it asked for."""

    page: Any
    served: Served
    messages: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def go(self, room: str = "") -> None:
        self.page.goto(f"{self.served.root}/study/study" + (f"/{room}" if room else ""))
        if self.page.query_selector(".chart-figure"):
            self.page.wait_for_selector("html[data-drawn=yes]", state="attached", timeout=60_000)

    def serious(self) -> list[tuple[str, list[str]]]:
        """What axe finds serious or worse."""
        from axe_playwright_python.sync_playwright import Axe

        found = Axe().run(self.page).response
        assert len(found["passes"]) > 10
        return [
            (rule["id"], [node["html"][:160] for node in rule["nodes"]][:3])
            for rule in found["violations"]
            if rule["impact"] in ("serious", "critical")
        ]

    def is_quiet(self) -> bool:
        """Whether nothing was said, and nothing asked of anybody else."""
        strangers = [url for url in self.asked if not url.startswith(self.served.root + "/")]
        return (self.messages, strangers) == ([], [])


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("page") / "study"
    folder.mkdir()
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    with served_folder(folder) as page:
        yield page


@pytest.fixture(scope="module")
def context(served: Served) -> Iterator[Any]:
    """A browser that came in by the printed address."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        context = browser.new_context(accept_downloads=True)
        context.new_page().goto(served.address)
        yield context
        browser.close()


def _opened(context: Any, served: Served) -> Window:
    window = Window(context.new_page(), served)
    window.page.on("console", lambda message: window.messages.append(message.text))
    window.page.on("pageerror", lambda error: window.messages.append(str(error)))
    window.page.on("dialog", lambda box: (window.messages.append("dialog"), box.dismiss()))
    window.page.on("request", lambda request: window.asked.append(request.url))
    return window


@pytest.fixture
def window(context: Any, served: Served) -> Iterator[Window]:
    opened = _opened(context, served)
    yield opened
    opened.page.close()


@pytest.fixture(scope="module")
def finished(context: Any, served: Served, tmp_path_factory: pytest.TempPathFactory) -> Served:
    """The study after a user has dropped sheets, accepted a correction and run it."""
    workbook = tmp_path_factory.mktemp("dropped") / "Fork sheets.xlsx"
    write_messy_workbook(workbook)
    window = _opened(context, served)
    page = window.page
    window.go()
    page.set_input_files("input[type=file]", workbook)
    page.click("text=Put in")
    page.wait_for_selector("text=The sheets are in the study")
    window.go("findings")
    page.fill("input[name=who]", "T. Tester")
    page.click("text=Sign corrections")
    page.select_option("select[name=kind]", "decimal_shifted")
    page.click("text=Filter")
    assert page.locator(".findings tbody tr").count() == 1
    assert page.input_value(".correct input[name=new]") == "40.1"
    page.click("text=Accept")
    page.wait_for_selector("text=The correction stands in corrections.csv")
    assert page.locator(".findings tbody tr").count() == 0
    window.go()
    page.click("button:text-is('Run')")
    page.wait_for_selector("progress")
    page.close()  # the run goes on without the browser
    watching = _opened(context, served)
    watching.go()
    watching.page.wait_for_selector("text=Run again", timeout=RUN_MS)
    assert watching.is_quiet()
    assert window.is_quiet()
    assert "used" in watching.page.inner_text("#run .said")
    watching.page.close()
    return served


def test_a_correction_is_a_signed_and_dated_row_and_the_workbook_is_as_it_was(
    finished: Served,
) -> None:
    with (finished.folder / "corrections.csv").open(newline="", encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert (row["sheet"], row["column"], row["old"], row["new"]) == (
        "captures",
        "wing_mm",
        "4.01",
        "40.1",
    )
    assert (row["file"], row["who"]) == ("Fork sheets.xlsx", "T. Tester")
    assert re.search(r"decimal shifted: .*, \d{4}-\d\d-\d\d$", row["why"])


@pytest.mark.parametrize(("width", "scheme"), [(375, "dark"), (1440, "light")])
def test_every_room_is_quiet_fits_and_is_accessible(
    finished: Served, window: Window, width: int, scheme: str
) -> None:
    window.page.set_viewport_size({"width": width, "height": 900})
    window.page.emulate_media(color_scheme=scheme)
    for room in (*ROOMS, "settings"):
        window.go(room)
        assert window.serious() == [], room
        assert window.page.evaluate("document.documentElement.scrollWidth") <= width, room
        assert window.page.query_selector_all("img, iframe") == []
    assert window.is_quiet()


def test_the_calendar_tells_each_day_worked_with_its_birds(
    finished: Served, window: Window
) -> None:
    window.go("season?site=fork&season=2031")
    days = window.page.locator(".month td.worked")
    assert days.count() == 25
    assert "worked" in (days.first.get_attribute("title") or "")
    caught = sum(int(text) for text in window.page.locator(".month b").all_inner_texts())
    said = re.search(r"25 days worked, (\d+) birds caught", window.page.inner_text("main"))
    assert said
    assert caught == int(said[1]) > 10
    assert window.page.locator(".chart svg path").count() > 0


def test_a_slider_redraws_the_figures_and_words(finished: Served, window: Window) -> None:
    window.go("scenarios")
    slider = window.page.locator("#feeders")
    before = window.page.locator(".outcome .words").all_inner_texts()
    marks = window.page.locator(".outcome .chart").first.inner_html()
    slider.focus()
    window.page.keyboard.press("Home")  # as a reader without a mouse would
    window.page.wait_for_selector("#sliders[data-redrawn]", state="attached")
    assert window.page.locator(".outcome .words").all_inner_texts() != before
    assert window.page.locator(".outcome .chart").first.inner_html() != marks
    assert slider.get_attribute("aria-valuetext") == "none between sessions"
    window.page.keyboard.press("ArrowRight")
    window.page.wait_for_selector("#sliders[data-redrawn='2']", state="attached")
    assert window.page.locator(".outcome .words").all_inner_texts() == before
    assert window.is_quiet()


def test_a_bird_is_found_by_its_band_with_all_its_captures(
    finished: Served, window: Window
) -> None:
    window.go("birds")
    window.page.fill("input[name=text]", RETURNING.lower())
    window.page.click("button:text-is('Find')")
    window.page.click(f"main a:has-text('{RETURNING}')")
    window.page.wait_for_selector("html[data-drawn=yes]", state="attached")
    assert window.page.locator("main tbody tr").count() == 3
    assert "3 captures in 2 seasons, at fork" in window.page.inner_text("main")
    assert window.page.locator(".chart svg path").count() > 0
    assert window.is_quiet()


def test_report_and_tables_are_downloaded_and_open_by_themselves(
    finished: Served, window: Window, tmp_path: Path
) -> None:
    window.go("files")
    with window.page.expect_download() as caught:
        window.page.click("text=Download the report")
    report = tmp_path / "report.html"
    caught.value.save_as(report)
    with window.page.expect_download() as caught:
        window.page.click("text=Download all tables")
    names = zipfile.ZipFile(caught.value.path()).namelist()
    assert "tables/estimates.csv" in names
    assert not any(name.startswith("private") for name in names)
    for address in (report.as_uri(), f"{finished.root}/study/study/report"):
        window.asked.clear()
        window.page.goto(address)
        window.page.wait_for_selector("html[data-drawn=yes]", state="attached", timeout=60_000)
        assert window.asked == [address]
        assert window.page.locator("figure svg").count() > 2
        assert window.page.query_selector_all("img, iframe") == []
    assert window.messages == []


def test_two_tabs_do_not_fight(finished: Served, context: Any) -> None:
    first, second = (_opened(context, finished) for _ in range(2))
    for tab in (first, second):
        tab.go("findings?kind=unknown_site")
    rows = (finished.folder / "corrections.csv").read_text(encoding="utf-8").splitlines()
    for tab in (first, second):
        tab.page.click("text=Accept")
    first.page.wait_for_selector("text=The correction stands")
    second.page.wait_for_selector("text=no longer in doubt")
    after = (finished.folder / "corrections.csv").read_text(encoding="utf-8").splitlines()
    assert len(after) == len(rows) + 1
    first.go("season")
    first.page.wait_for_selector("text=no longer those of this run")
    for tab in (first, second):
        tab.page.close()
