"""How the numbers were made: equations, assumptions, sources, versions, seed, inputs."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from typing import TYPE_CHECKING

import pandas as pd

from phenology.quantities import QUANTITIES
from phenology.report.content import Section, Words, points, table

if TYPE_CHECKING:
    from phenology.assess.assessment import Assessment


def methods_section(assessment: Assessment) -> Section:
    """Methods of the models that were run, then what another person needs to repeat the run."""
    section = Section("methods", "Methods")
    answered = set(assessment.estimates["quantity"])
    text = files("phenology.report").joinpath("methods.toml").read_text(encoding="utf-8")
    for method in tomllib.loads(text)["method"]:
        if answered.isdisjoint(method["quantities"]):
            continue
        section.add(
            Words((method["what"],), heading=method["title"]),
            Words(tuple(method["equations"]), look="equations"),
            points(method["assumptions"], "Assumes"),
            points(method["distrust"], "Do not believe it when"),
        )
        if method["sources"]:
            section.add(points(method["sources"], "Sources"))
    meanings = pd.DataFrame(
        [
            {"quantity": name.replace("_", " "), "unit": unit, "meaning": meaning}
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


def _pairs(pairs: dict[str, str], value: str) -> pd.DataFrame:
    return pd.DataFrame({"name": list(pairs), value: list(pairs.values())})
