"""The report: one HTML file that opens offline and asks for nothing from outside."""

from __future__ import annotations

import base64
import hashlib
import json
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from phenology.report.content import Figure, Section
from phenology.report.palette import COLOURS, css_variables
from phenology.report.sections import build_sections
from phenology.report.tables import report_tables
from phenology.report.words import plain

if TYPE_CHECKING:
    import pandas as pd

    from phenology.assess.assessment import Assessment

VENDORED = ("vega.min.js", "vega-lite.min.js", "vega-interpreter.js")


def render_report(assessment: Assessment, tables: dict[str, pd.DataFrame] | None = None) -> str:
    """The whole report as one HTML string.

    Parameters
    ----------
    assessment : Assessment
        What a run found.
    tables : dict of DataFrame, optional
        Its `report_tables`, where they have been made.

    Returns
    -------
    str
        HTML that carries its scripts, figures and data; opened from a file it makes no
        request, and no text from the sheets can run or reorder what stands around it.
    """
    tables = report_tables(assessment) if tables is None else tables
    sections = build_sections(assessment, tables)
    return render_page(plain(assessment.study.options.name, 120), sections)


def render_page(title: str, sections: list[Section]) -> str:
    """Sections as one page; also for a report of several studies."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["plain"] = plain
    scripts = [*(script_text(f"vendor/{name}") for name in VENDORED), script_text("page.js")]
    charts = [
        block for section in sections for block in section.blocks if isinstance(block, Figure)
    ]
    specs = {
        block.name: Markup(figure_json(block.chart))  # noqa: S704  # escaped by _data_json
        for block in charts
    }
    if len(specs) < len(charts):
        raise ValueError("two figures of the report have one name")
    return environment.from_string(_read("page.html")).render(
        title=title,
        sections=sections,
        specs=specs,
        kind=lambda block: type(block).__name__.lower(),
        style=Markup(css_variables() + _read("page.css")),  # noqa: S704  # our own text
        scripts=[Markup(text) for text in scripts],  # noqa: S704  # our own and vendored text
        policy=content_policy(scripts),
        markup=Markup,
    )


def content_policy(scripts: list[str]) -> str:
    """Allow these scripts, inline styles, and nothing else."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
        for text in scripts
    )
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; "
        "base-uri 'none'; form-action 'none'"
    )


def figure_json(chart: Any) -> str:
    """A chart's specification with colours as CSS variables and its data column by column."""
    bare = chart.copy(deep=False)
    bare.datasets = {}  # Altair would copy every row, twice
    spec = bare.to_dict(validate=False)  # checked in the tests of the figures; slow
    spec.pop("datasets", None)
    data = {name: _columns(rows) for name, rows in chart.datasets.items()}
    text = _data_json({"spec": spec, "data": data})
    for name, (light, _) in COLOURS.items():
        text = text.replace(f'"{light}"', f'"var(--{name})"')
    return text


def _columns(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Rows as columns: repeated words as one list and their places, empty ends left off."""
    columns: dict[str, Any] = {}
    for name in rows[0] if rows else ():
        values = [row[name] for row in rows]
        words = list(dict.fromkeys(value for value in values if isinstance(value, str)))
        while values and values[-1] is None:
            values.pop()
        if words and len(words) * 3 < len(values):
            number = {word: place for place, word in enumerate(words)}
            columns[name] = {"words": words, "at": [number.get(value, -1) for value in values]}
        else:
            columns[name] = values
    return columns


def _data_json(value: Any) -> str:
    """JSON that may stand inside a script element: nothing in it can end the element."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def script_text(name: str) -> str:
    """A script of the report or a vendored one, as a plain script that asks for nothing."""
    text = _read(name)
    # Source maps are a request; the interpreter comes as a module and becomes a plain script.
    text = "\n".join(line for line in text.splitlines() if not line.startswith("//# source"))
    if name.endswith("vega-interpreter.js"):
        text = text.replace("import {", "const {", 1).replace("} from 'vega-util';", "} = vega;", 1)
        text = text.replace(
            "export { expression as expressionInterpreter };",
            "globalThis.expressionInterpreter = expression;",
        )
        text = "(function () {\n" + text + "\n})();"
    return text


def _read(name: str) -> str:
    return files("phenology.report").joinpath(name).read_text(encoding="utf-8")
