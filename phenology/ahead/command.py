"""The task behind `site-support forecast`: open, forecast, write whole."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from phenology.ahead.forecast import forecast_season
from phenology.ahead.page import forecast_sections, told_days
from phenology.csv_text import csv_text
from phenology.errors import StudyError
from phenology.publish import publish
from phenology.report.report import render_page
from phenology.report.words import plain
from phenology.study.study import open_study

if TYPE_CHECKING:
    from phenology.ahead.forecast import Forecast
    from phenology.compute import Progress


def forecast_task(
    progress: Progress,
    study: str,
    season: int,
    issued: str | None,
    days: str,
    closed: list[str],
    effort: float | None,
    out: str | None,
    past: int,
    seed: int | None,
    jobs: int,
) -> dict[str, Any]:
    """Forecast a season and swap the page and its tables in; returns what to tell the user."""
    progress("Reading sheets", 0.0)
    opened = open_study(Path(study))
    forecast = forecast_season(
        opened,
        season,
        issued=_day(issued) if issued else None,
        weekdays=[name.strip().lower() for name in days.split(",") if name.strip()],
        closed=closed,
        device_hours=effort,
        seasons_scored=past,
        seed=seed,
        jobs=jobs,
        progress=progress,
    )
    folder = Path(out) if out else Path(study) / "forecast"
    with publish(folder) as build:
        write_forecast(forecast, build, opened.options.name, opened.inputs)
    told = [f"Issued {forecast.issued.date()}: nothing later was used."]
    told += [*told_days(forecast), *forecast.notes]
    return {
        "page": str(folder / "forecast.html"),
        "told": told,
        "days": csv_text(forecast.days),
    }


def write_forecast(forecast: Forecast, folder: Path, name: str, inputs: dict[str, str]) -> None:
    """Write the page, its tables and a manifest into an empty folder."""
    title = f"Forecast for {plain(name, 120)}"
    page = render_page(title, forecast_sections(forecast))
    (folder / "forecast.html").write_text(page, encoding="utf-8")
    (folder / "tables").mkdir()
    tables = {"days": forecast.days, "captures": forecast.captures, "skill": forecast.skill}
    for part, table in tables.items():
        path = folder / "tables" / f"forecast_{part}.csv"
        path.write_text(csv_text(table), encoding="utf-8", newline="")
    files = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    summary = {
        "issued": str(forecast.issued.date()),
        "season": forecast.season,
        "inputs": inputs,
        "files": [*files, "summary.json"],
    }
    text = json.dumps(summary, indent=1, ensure_ascii=False)
    (folder / "summary.json").write_text(text + "\n", encoding="utf-8")


def _day(text: str) -> pd.Timestamp:
    try:
        return pd.Timestamp(pd.Timestamp.fromisoformat(text))
    except ValueError:
        raise StudyError(f"--issued '{text}' is no date.", "Write it as 2031-07-04.") from None
