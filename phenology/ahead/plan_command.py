"""The task behind `site-support plan`: read the run, compare plans, write whole."""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

from phenology.ahead.plan import compare_plans, plans_about, recommend
from phenology.assess.finished import read_run
from phenology.compilation import use_compilation_cache
from phenology.csv_text import csv_text
from phenology.errors import StudyError
from phenology.models.sampling_plan import Plan
from phenology.publish import publish
from phenology.report import figures
from phenology.report.content import Figure, Section, points, table
from phenology.report.report import render_page
from phenology.report.words import plain

if TYPE_CHECKING:
    import pandas as pd

    from phenology.compute import Progress

CAUTION = (
    "A plan does not authorise capture: permits, trained hands, and the permit's limits come first."
)


def plan_task(
    progress: Progress,
    study: str,
    results: str | None,
    days: list[int],
    sites: list[int],
    seasons: list[int],
    spend: int | None,
    species: str | None,
    studies: int,
    out: str | None,
    jobs: int,
) -> dict[str, Any]:
    """Compare plans of sampling; returns what to tell the user."""
    use_compilation_cache()
    run = read_run(Path(study), Path(results) if results else None)
    usual = plans_about(run)
    given = [
        Plan(*each)
        for each in product(
            days or sorted({plan.days for plan in usual}),
            sites or sorted({plan.sites for plan in usual}),
            seasons or sorted({plan.seasons for plan in usual}),
        )
    ]
    folder = Path(out) if out else Path(study) / "plan"
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StudyError(f"{folder} cannot be written: {error.strerror or error}.") from None
    kept = folder.parent / f".{folder.name}-kept.jsonl"
    table = compare_plans(
        run,
        given if days or sites or seasons else usual,
        species=species,
        studies=studies,
        jobs=jobs,
        kept=kept,
        progress=progress,
    )
    best = recommend(table, spend) if spend else None
    with publish(folder) as build:
        _write(table, best, spend, build, str(run.summary["study"]))
    kept.unlink(missing_ok=True)
    told = [*run.changed, *told_plans(table, best, spend), CAUTION]
    return {"page": str(folder / "plan.html"), "told": told, "table": csv_text(table)}


def told_plans(table: pd.DataFrame, best: pd.DataFrame | None, spend: int | None) -> list[str]:
    """Each recommended plan, or each plan, as a sentence."""
    rows = table if best is None else best
    lead = "" if best is None else f"With {spend} days to spend, best for "
    return [
        f"{lead}{row.aim}: {row.days} days at {row.sites} {'site' if row.sites == 1 else 'sites'} "
        f"for {row.seasons} seasons; 90 % interval {row.width:.3g} {row.unit} wide, so that a "
        f"change of {row.change_seen:.2g} would be seen four times in five."
        for row in rows.dropna(subset="width").itertuples()
    ]


def _write(
    compared: pd.DataFrame, best: pd.DataFrame | None, spend: int | None, folder: Path, name: str
) -> None:
    section = Section(
        "plans",
        "What more days, sites or seasons would show",
        "Studies were simulated under each plan with the habits of this study's own birds and "
        "fitted again; days are spread evenly over the season.",
    )
    if best is not None:
        section.add(points(told_plans(compared, best, spend)))
    section.add(
        Figure(
            "plans",
            figures.draw_plans(compared.dropna(subset="width")),
            "Width of each answer's 90 % interval by plan, those of fewest days in all on top: "
            "further left knows more.",
        ),
        table("plans", "Plans compared; the change is seen with a power of 80 %", compared),
        points([CAUTION], "Cautions"),
    )
    page = render_page(f"Plan for {plain(name, 120)}", [section])
    (folder / "plan.html").write_text(page, encoding="utf-8")
    (folder / "tables").mkdir()
    path = folder / "tables" / "plans.csv"
    path.write_text(csv_text(compared), encoding="utf-8", newline="")
    files = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    summary = json.dumps({"files": [*files, "summary.json"]}, indent=1)
    (folder / "summary.json").write_text(summary + "\n", encoding="utf-8")
