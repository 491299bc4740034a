"""The report opened from a file in Chromium: drawn, silent, accessible, printable."""

from __future__ import annotations

import os
import re
from contextlib import contextmanager
from pathlib import Path

import pytest

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]

if not CHROMIUM.exists() and os.environ.get("CI") != "true":
    pytest.skip(f"no browser at {CHROMIUM}", allow_module_level=True)

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_file(report, tmp_path_factory) -> Path:
    return _written(report, tmp_path_factory)


@pytest.fixture(scope="module")
def hostile_file(hostile_report, tmp_path_factory) -> Path:
    return _written(hostile_report, tmp_path_factory)


def _written(html: str, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(html, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield started
        started.close()


@contextmanager
def opened(browser, path: Path, **options):
    """A drawn page, its console messages and the addresses it asked for."""
    page = browser.new_page(**options)
    page.messages, page.asked = [], []
    page.on("console", lambda message: page.messages.append(message.text))
    page.on("pageerror", lambda error: page.messages.append(str(error)))
    page.on("dialog", lambda dialog: (page.messages.append("dialog"), dialog.dismiss()))
    page.on("request", lambda request: page.asked.append(request.url))
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-drawn=yes]", state="attached", timeout=60_000)
    try:
        yield page
    finally:
        page.close()


@pytest.mark.parametrize(("width", "scheme"), [(375, "dark"), (1440, "light")])
def test_it_is_drawn_inside_the_page_silent_and_accessible(
    browser, page_file, width, scheme
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    size = {"width": width, "height": 900}
    with opened(browser, page_file, viewport=size, color_scheme=scheme) as page:
        assert page.messages == []
        assert page.asked == [page_file.as_uri()]
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        figures = page.query_selector_all("figure")
        assert len(figures) >= 8
        for figure in figures:
            svg = figure.query_selector("svg")
            box, around = svg.bounding_box(), figure.bounding_box()
            assert box["height"] > 40
            assert box["width"] > 200
            assert box["x"] + box["width"] <= around["x"] + around["width"] + 1
            assert figure.query_selector_all("svg path, svg rect, svg line")
        page.click("summary")
        found = Axe().run(page).response
        serious = [
            (rule["id"], [node["html"][:120] for node in rule["nodes"]][:2])
            for rule in found["violations"]
            if rule["impact"] in ("serious", "critical")
        ]
        assert serious == []
        assert len(found["passes"]) > 15


def test_dark_and_light_differ_and_paper_is_light(browser, page_file) -> None:
    colour = "getComputedStyle(document.body).backgroundColor"
    with opened(browser, page_file, color_scheme="dark") as page:
        dark = page.evaluate(colour)
        line = page.query_selector(".chart path[stroke='var(--local)']")
        dark_line = line.evaluate("mark => getComputedStyle(mark).stroke")
        page.emulate_media(color_scheme="light")
        light = page.evaluate(colour)
        assert line.evaluate("mark => getComputedStyle(mark).stroke") != dark_line
        page.emulate_media(color_scheme="dark", media="print")
        assert page.evaluate(colour) == light != dark


def test_the_keyboard_reaches_contents_data_and_sites(browser, page_file) -> None:
    with opened(browser, page_file) as page:
        reached = set()
        for _ in range(80):
            page.keyboard.press("Tab")
            reached.add(
                page.evaluate("document.activeElement.tagName + document.activeElement.className")
            )
        assert {"Askip", "A", "SUMMARY", "DIVscroll"} <= reached
        page.focus(".site")
        name = page.evaluate("document.activeElement.getAttribute('aria-label')")
        assert name == "fork, 2,500 m, within 10 km"


def test_data_behind_a_figure_can_be_read_and_downloaded(browser, page_file) -> None:
    with opened(browser, page_file) as page:
        page.click("#figure-effort-0 summary")
        page.wait_for_selector("#figure-effort-0 table")
        with page.expect_download() as caught:
            page.click("#figure-effort-0 button")
        text = Path(caught.value.path()).read_text(encoding="utf-8-sig")
        assert text.splitlines()[0].startswith("site,season,day,date,hours")
        assert "2032-06-18" in text
        assert caught.value.suggested_filename == "effort-0-days.csv"


def test_hostile_text_does_not_run_anywhere(browser, hostile_file) -> None:
    with opened(browser, hostile_file, viewport={"width": 375, "height": 900}) as page:
        for summary in page.query_selector_all("summary"):
            summary.click()
        for mark in page.query_selector_all(".chart path[stroke]")[:5]:
            mark.dispatch_event("mousemove")
        assert page.messages == []
        assert page.asked == [hostile_file.as_uri()]
        assert page.query_selector_all("img, iframe") == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 375


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_prints_without_a_cut_figure(browser, page_file, paper) -> None:
    height_mm = {"A4": 297, "Letter": 279}[paper] - 2 * 16  # less the margins of the style sheet
    width_mm = {"A4": 210, "Letter": 216}[paper] - 2 * 15
    size = {"width": round(width_mm / 25.4 * 96), "height": 900}
    with opened(browser, page_file, viewport=size, color_scheme="dark") as page:
        pdf = page.pdf(format=paper)
        pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
        assert 5 <= pages <= 30
        page.emulate_media(media="print")
        for figure in page.query_selector_all("figure"):
            box = figure.bounding_box()
            assert box["height"] / 96 * 25.4 < height_mm
            svg = figure.query_selector("svg").bounding_box()
            assert svg["width"] / 96 * 25.4 <= width_mm + 1
