"""The task behind `site-support run`: open, assess, write whole."""

from __future__ import annotations

import shutil
from pathlib import Path
from time import perf_counter
from typing import Any

from phenology.assess.kept_regions import kept_folder
from phenology.assess.outputs import write_run
from phenology.assess.regions import assess_regions
from phenology.compilation import use_compilation_cache
from phenology.compute import Progress
from phenology.errors import StudyError
from phenology.publish import publish
from phenology.study.files import changed_inputs
from phenology.study.study import open_study


def run_study(
    progress: Progress,
    study: str,
    out: str | None,
    seed: int | None,
    jobs: int,
    scheduler: str | None = None,
) -> dict[str, Any]:
    """Run a study and swap its output in; returns what to tell the user.

    Raises
    ------
    StudyError
        If the sheets hold nothing usable, or the output cannot be written.
    """
    use_compilation_cache()
    log: list[str] = []
    began = perf_counter()

    def step(what: str, share: float) -> None:
        log.append(f"{perf_counter() - began:8.1f} s  {what}\n")
        progress(what, share)

    step("Reading sheets", 0.0)
    opened = open_study(Path(study))
    folder = Path(out) if out else Path(study) / "results"
    if folder.resolve() in (opened.folder.resolve(), *opened.folder.resolve().parents):
        raise StudyError(f"{folder} holds the study itself.", "Choose another --out.")
    with publish(folder) as build:
        kept = kept_folder(folder, opened, opened.options.seed if seed is None else seed)
        assessment = assess_regions(opened, seed, jobs, step, scheduler=scheduler, kept=kept)
        step("Writing the report", 0.9)
        (build / "private").mkdir()
        (build / "private" / "run.log").write_text("".join(log), encoding="utf-8")
        write_run(assessment, build)
    shutil.rmtree(kept, ignore_errors=True)
    meanwhile = [
        f"{sentence} Its answers are those of the sheets as they were: run it again."
        for sentence in changed_inputs(opened.folder, opened.inputs)
    ]
    return {"report": str(folder / "report.html"), "told": [*_told(assessment), *meanwhile]}


def _told(assessment: Any) -> list[str]:
    rows = assessment.study.rows["captures"]
    basis = assessment.estimates["basis"].value_counts()
    findings = len(assessment.study.findings)
    return [
        f"Captures: {rows['read']} read, {rows['used']} used, {rows['set_aside']} set aside; "
        f"{findings} findings.",
        "Answers: " + ", ".join(f"{count} {name}" for name, count in basis.items()) + ".",
    ]
