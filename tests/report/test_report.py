"""The report as text: complete, inert, private things left out."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files

import pandas as pd

from phenology.quantities import DRIVERS, QUANTITIES
from phenology.report import render_report
from phenology.report.content import Figure, Table, Words
from phenology.report.data import data_section
from phenology.report.first_page import first_page
from phenology.report.sections import refused_section
from phenology.report.support_measures import MEASURES, PLAIN_DRIVERS, change_words
from phenology.report.support_words import advice
from phenology.report.tables import report_tables


class Elements(HTMLParser):
    """Every element with its attributes, and the text outside scripts and styles."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self._raw = False
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        self._raw = tag in ("script", "style")

    def handle_endtag(self, tag: str) -> None:
        self._raw = False

    def handle_data(self, data: str) -> None:
        if not self._raw:
            self.text.append(data)


def test_all_parts_are_there_and_linked(report) -> None:
    elements = Elements(report)
    ids = [attrs["id"] for _, attrs in elements.found if "id" in attrs]
    assert len(ids) == len(set(ids))
    links = [str(attrs["href"]) for tag, attrs in elements.found if tag == "a"]
    assert links
    assert all(link.startswith("#") and link[1:] in ids for link in links)
    for anchor in ("in-short", "when", "fuel", "sites", "not-answered", "data", "welfare"):
        assert anchor in ids


def test_it_asks_for_nothing_from_outside(report) -> None:
    for tag, attrs in Elements(report).found:
        assert not {"src", "srcset", "action"} & set(attrs), tag
    assert "sourceMappingURL" not in report
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', report)
    assert policy is not None
    assert policy[1].startswith("default-src &#39;none&#39;")
    assert "unsafe-eval" not in policy[1]


def test_it_stays_small(report) -> None:
    assert len(report.encode()) < 4e6


def test_private_things_are_left_out(report, assessment) -> None:
    told = report[: report.index("<footer>")]  # what follows is our scripts and the vendored ones
    for secret in (
        "Q. Private",
        "gate key",
        "TEST-0000",
        "33.4712",
        "-108.9123",
        "Upper fork",
        "2,412",
    ):
        assert secret not in told
    assert assessment.study.folder.resolve().as_posix() not in report


def test_hostile_text_in_every_field_is_inert(report, hostile_report) -> None:
    honest, hostile = Elements(report), Elements(hostile_report)
    assert [tag for tag, _ in hostile.found if tag in ("script", "img", "iframe")] == [
        tag for tag, _ in honest.found if tag == "script"
    ]
    assert not any(name.startswith("on") for _, attrs in hostile.found for name in attrs)
    text = " ".join(hostile.text)
    assert "<script>alert(1)</script>" in text  # shown, as text
    assert "{{7*7}}" in text
    for sign in "\x1b\u202e\u2028":
        assert sign not in hostile_report
    assert "x" * 1000 not in hostile_report


def test_refusals_and_narrowed_answers_are_told(report, assessment) -> None:
    text = " ".join(Elements(report).text)
    assert "birds were already there when sampling began" in text
    assert "fewer than 20 birds were seen again" in text
    assert assessment.narrowed[0] in text


def test_differences_are_told_as_differences_and_effects_by_role(report) -> None:
    text = " ".join(Elements(report).text)
    assert "Passage birds at fork in 2032: worse than this site's normal" in text
    assert "Passage birds, half the flowers: daily gain falls by" in text
    assert "able to reach the next stop -10" not in text


def test_a_long_table_says_where_the_rest_stands(report, assessment) -> None:
    named = re.findall(r"more rows in tables/(\w+)\.csv", report)
    assert named
    assert set(named) <= {*report_tables(assessment), "estimates"}


def test_days_are_drawn_at_the_sites_with_most_birds_and_the_others_counted(assessment) -> None:
    tables = report_tables(assessment)
    one = tables["sampled_days"]["site"].iloc[0]
    of_one = {
        name: tables[name][tables[name]["site"] == one]
        for name in ("sampled_days", "seasons_sampled")
    }
    many = {
        name: pd.concat([rows.assign(site=f"site {n:02d}") for n in range(40)])
        for name, rows in of_one.items()
    }
    number = many["seasons_sampled"]["site"].str[-2:].astype(int)
    many["seasons_sampled"] = many["seasons_sampled"].assign(birds=number)
    blocks = data_section(many).blocks
    drawn = "".join(block.chart.to_json() for block in blocks if isinstance(block, Figure))
    assert {name for name in many["sampled_days"]["site"].unique() if name in drawn} == {
        f"site {n}" for n in range(34, 40)
    }
    said = [block for block in blocks if isinstance(block, Words)]
    assert said[0].lines == ("34 further sites with fewer birds: see the tables.",)


def test_methods_give_equations_sources_versions_seed_and_hashes(report) -> None:
    text = " ".join(Elements(report).text)
    for part in ("negative binomial", "log μ = a · log effort", "10.1080/01621459.1986.10478240",
                 "seed 7", "0.1.0", "0" * 64, "Natural Earth", "largest R-hat"):  # fmt: skip
        assert part in text


def test_it_says_when_tables_of_two_machines_are_not_comparable(report) -> None:
    text = " ".join(Elements(report).text)
    assert "machine of the same kind (Invented processor, wide sums)" in text
    assert "another kind of machine, from other versions or with another seed are not" in text


def test_every_quantity_of_an_answer_has_a_method_with_equation_and_source() -> None:
    text = files("phenology.report").joinpath("methods.toml").read_text(encoding="utf-8")
    methods = tomllib.loads(text)["method"]
    told = {name for method in methods for name in method["quantities"]}
    assert set(QUANTITIES) <= told
    for method in methods:
        assert method["equations"], method["title"]
        assert method["distrust"], method["title"]
        own = method["title"] == "Shares of learning"  # a definition of this report
        assert method["sources"] or own, method["title"]


WORDS_OF_THE_TRADE_OF_NUMBERS = (
    "posterior", "prior", "interval", "likelihood", "lean mass", "NaN", "nan ", "basis",
    "quantile", "standard deviation", "log ", "_", "coefficient", "covariate", "regression",
    "variance", "parameter", "significan", "distribution", "residual", "median", "CRPS", " draws",
    "bootstrap", "driver", "estimate", " sd", "model", "p-value", "credible", "extrapolat",
)  # fmt: skip


def test_the_first_page_needs_no_training(assessment) -> None:
    section = first_page(assessment, report_tables(assessment))
    text = " ".join(line for block in section.blocks for line in block.lines)
    for word in WORDS_OF_THE_TRADE_OF_NUMBERS:
        assert word not in text, word
    assert "Not sampled: 2031 (anywhere)" in text
    assert (
        "Selasphorus rufus young female, passage birds, at fork, all seasons together: most birds"
        in text
    )
    assert "Count birds away from the feeders" in text


def test_words_of_every_outcome_change_and_advice_need_no_training() -> None:
    reasons = ["no site had feeders up and down", "known for only 12 birds", "30 needed",
               "site-years with bloom surveys"]  # fmt: skip
    refused = pd.DataFrame(
        [{"driver": "feeders", "basis": "refused", "note": reason} for reason in reasons]
    )
    said = [
        *(measure.name + measure.unit for measure in MEASURES.values()),
        *(change_words(driver) for driver in DRIVERS),
        *PLAIN_DRIVERS.values(),
        *advice(refused),
    ]
    assert len(said) >= len(MEASURES) + 2 * len(DRIVERS) + 4
    for word in set(WORDS_OF_THE_TRADE_OF_NUMBERS) - {"lean mass"}:  # a unit of fuel
        assert not [line for line in said if word in line], word


def test_a_run_that_answers_nothing_still_reports(assessment) -> None:
    estimates = assessment.estimates[assessment.estimates["basis"] == "refused"]
    bare = replace(
        assessment,
        estimates=estimates,
        curves=assessment.curves.iloc[:0],
        captures=assessment.captures.drop(
            columns=[c for c in assessment.captures if c.startswith(("lean_", "fuel_"))]
        ),
        diagnostics=pd.DataFrame(),
        study=replace(assessment.study, findings=assessment.study.findings.iloc[:0]),
    )
    html = render_report(bare)
    assert "do not yet carry an answer about dates or fuel" in html
    assert 'id="fuel"' not in html
    assert "fewer than 20 birds were seen again" in html


def test_specifications_are_json_that_cannot_leave_its_element(report) -> None:
    specs = re.findall(r'<script type="application/json">(.*?)</script>', report, re.DOTALL)
    assert len(specs) >= 8
    for spec in specs:
        assert not set("<>&\u2028") & set(spec)
        assert {"spec", "data"} == set(json.loads(spec))


def test_the_first_page_says_what_moves_support_and_for_whom(assessment) -> None:
    chances = pd.DataFrame(
        [{"outcome": outcome, "role": role, "site": "ridge", "other": "fork",
          "chance_of_more": chance, "birds": 90, "other_birds": 40}
         for outcome, role, chance in (("share_ready", "passage", 0.97),
                                       ("fuel_load", "passage", 0.99),
                                       ("lean_condition", "local", 0.7))]
    )  # fmt: skip
    page = first_page(replace(assessment, chances=chances), report_tables(assessment))
    said = {block.heading: block.lines for block in page.blocks if isinstance(block, Words)}
    assert said["Against the other sites"] == (
        "Local birds: no site can be shown to do better.",
        "Passage birds: share ready for the next stop is higher at ridge than at fork (97 chances "
        "in 100; 90, 40 birds).",
    )  # incoming fuel has no sign and is not judged
    (change,) = said["What would change it"]
    assert change.startswith("Passage birds, half the flowers: daily gain falls by 0.08 g a day")


def test_refusals_that_differ_in_a_number_stand_together(assessment) -> None:
    refused = pd.DataFrame(
        [{"quantity": "lean_condition", "outcome": "", "driver": "", "site": "fork",
          "season": str(2030 + birds), "group": "Selasphorus rufus", "role": "", "birds": birds,
          "reason": f"{birds} birds, 10 needed"} for birds in (4, 7, 7)]
        + [{"quantity": "effect", "outcome": "fuel_load", "driver": "bloom", "site": "",
            "season": "", "group": "", "role": "local", "birds": 0, "reason": "no contrast"}]
    )  # fmt: skip
    (shown,) = (
        block
        for block in refused_section(assessment, {"refused": refused}).blocks
        if isinstance(block, Table)
    )
    cells = [dict(zip(shown.headings, row, strict=True)) for row in shown.rows]
    assert [(cell["question"], cell["answers"]) for cell in cells] == [
        ("lean condition", "3"),
        ("effect of bloom on fuel load", "1"),
    ]
    assert cells[0]["reason"].startswith("7 birds, 10 needed (most often")


def test_first_page_tells_like_things_once(assessment) -> None:
    chances = pd.DataFrame(
        [{"outcome": "share_ready", "role": "passage", "site": "ridge", "other": other,
          "chance_of_more": 0.97, "birds": 90, "other_birds": 40} for other in ("fork", "weir")]
    )  # fmt: skip
    page = first_page(replace(assessment, chances=chances), report_tables(assessment))
    said = {block.heading: block.lines for block in page.blocks if isinstance(block, Words)}
    assert said["Against the other sites"] == (
        "Passage birds: share ready for the next stop is higher at ridge than at fork and weir "
        "(97 chances in 100 each).",
    )
    fuelled = said["How well fuelled they are"]
    assert len(fuelled) == len({line.partition(":")[0] for line in fuelled}) == 3
    assert any("by age and sex" in line for line in fuelled)
