"""How the numbers were made: equations, assumptions, sources, versions, seed, inputs."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from typing import TYPE_CHECKING

import pandas as pd

from phenology.quantities import QUANTITIES
from phenology.report.content import Block, Section, Words, points, table
from phenology.report.titles import title_words

if TYPE_CHECKING:
    from phenology.assess.assessment import Assessment


def methods_section(assessment: Assessment) -> Section:
    """Methods of the models that were run, then what another person needs to repeat the run."""
    section = Section("methods", "Methods")
    answered = set(assessment.estimates["quantity"])
    section.add(*method_blocks(answered))
    meanings = pd.DataFrame(
        [
            {"quantity": title_words(name), "unit": unit, "meaning": meaning}
            for name, (unit, meaning) in QUANTITIES.items()
            if name in answered
        ]
    )
    if len(meanings):
        section.add(table("quantities", "Quantities in this report", meanings))
    if len(assessment.diagnostics):
        section.add(
            table("diagnostics", "Checks of the calculations", assessment.diagnostics, folded=True)
        )
    if assessment.cite:
        section.add(points(list(assessment.cite), "What to cite"))
    section.add(
        Words((repeats_where(assessment.versions.get("machine", "")),), "Who gets these numbers"),
        table(
            "versions",
            f"Versions; seed {assessment.seed}",
            _pairs(assessment.versions, "version"),
            folded=True,
        ),
        table(
            "inputs",
            "Files read, with their SHA-256",
            _pairs(assessment.inputs, "hash"),
            folded=True,
        ),
    )
    return section


def method_blocks(answered: set[str]) -> list[Block]:
    """What, equations, assumptions, doubts and sources of each method behind some quantities."""
    blocks: list[Block] = []
    text = files("phenology.report").joinpath("methods.toml").read_text(encoding="utf-8")
    for method in tomllib.loads(text)["method"]:
        if answered.isdisjoint(method["quantities"]):
            continue
        blocks += [
            Words((method["what"],), heading=method["title"]),
            Words(tuple(method["equations"]), look="equations"),
            points(method["assumptions"], "Assumes"),
            points(method["distrust"], "Do not believe it when"),
        ]
        if method["sources"]:
            blocks.append(points(method["sources"], "Sources"))
    return blocks


def repeats_where(machine: str) -> str:
    """When tables of two runs are comparable digit by digit, and when they are not.

    Examples
    --------
    >>> repeats_where("Linux x86_64, X86_V3").split(": ")[0]
    'The same sheets, seed and versions give the same tables, digit for digit, on a machine of the \
same kind (Linux x86_64, X86_V3)'
    """
    kind = f" ({machine})" if machine else ""
    return (
        "The same sheets, seed and versions give the same tables, digit for digit, on a machine of "
        f"the same kind{kind}: the table of versions and summary.json name it. Tables from another "
        "kind of machine, from other versions or with another seed are not comparable digit by "
        "digit: sums differ in their last places and draws may go other ways. Compare intervals "
        "there; a difference well inside them says nothing."
    )


def _pairs(pairs: dict[str, str], value: str) -> pd.DataFrame:
    return pd.DataFrame({"name": list(pairs), value: list(pairs.values())})
