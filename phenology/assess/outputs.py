"""The files of a run, written into a folder that is then swapped in whole."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pandas as pd
import xarray as xr

from phenology.assess.draws_file import write_draws
from phenology.assess.incidents import incident_rates
from phenology.assess.readers import readers_compared
from phenology.csv_text import write_csv
from phenology.netcdf import write_netcdf
from phenology.places import withhold_distances
from phenology.quantities import ESTIMATE_KEY, QUANTITIES
from phenology.study.permit_year import permit_years

if TYPE_CHECKING:
    from pathlib import Path

    from phenology.assess.assessment import Assessment

SCHEMA_VERSION = 2
SUPPORT = "support "  # before the names of the models that `pack_support` lays out
PRIVATE_COLUMNS = ("bander", "remarks")
PRIVATE_OPTIONS = ("codes", "columns")  # codes may stand for banders' names


def write_run(assessment: Assessment, folder: Path) -> None:
    """Write every output of a run into an empty folder.

    Parameters
    ----------
    assessment : Assessment
    folder : Path
        Exists and is empty; `phenology.publish.publish` gives one.
    """
    from phenology.report.report import render_report
    from phenology.report.tables import report_tables

    (folder / "private").mkdir(exist_ok=True)
    (folder / "tables").mkdir()
    write_csv(assessment.study.findings, folder / "private" / "findings.csv")
    write_csv(assessment.study.set_aside, folder / "private" / "set_aside.csv")
    write_csv(permit_years(assessment.study), folder / "private" / "permit_year.csv")
    harm = incident_rates(assessment.study, assessment.site_days)
    write_csv(harm, folder / "private" / "incidents.csv")
    readers = readers_compared(assessment.study, assessment.captures["group"])
    write_csv(readers, folder / "private" / "readers.csv")
    write_csv(assessment.estimates, folder / "tables" / "estimates.csv")
    tables = report_tables(assessment)
    for name, table in tables.items():
        write_csv(table, folder / "tables" / f"{name}.csv")
    assessment.captures.to_parquet(folder / "captures.parquet", index=False)
    shared_days = withhold_distances(assessment.site_days, assessment.study.sites)
    write_netcdf(shared_days, folder / "site_days.nc")
    write_netcdf(estimates_dataset(assessment.estimates), folder / "estimates.nc")
    write_draws(assessment.draws, folder)
    (folder / "report.html").write_text(render_report(assessment, tables), encoding="utf-8")
    files = sorted(
        path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()
    )
    summary = summarise(assessment) | {"files": [*files, "summary.json"]}
    (folder / "summary.json").write_text(
        json.dumps(summary, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8"
    )


def summarise(assessment: Assessment) -> dict[str, Any]:
    """The content of summary.json, less the list of files."""
    told = assessment.estimates[assessment.estimates["basis"] != "refused"]
    main = told[told["quantity"].isin(["arrival_day", "peak_day", "departure_day", "fuel_load"])]
    columns = [*ESTIMATE_KEY, "unit", "estimate", "low", "high", "birds", "basis"]
    return {
        "schema": SCHEMA_VERSION,
        "study": assessment.study.options.name,
        "options": {
            key: value
            for key, value in assessment.study.options.declared.items()
            if key not in PRIVATE_OPTIONS
        },
        "rows": assessment.study.rows,
        "answers": _records(main[columns]),
        "diagnostics": _records(assessment.diagnostics),
        "narrowed": list(assessment.narrowed),
        "inputs": assessment.inputs,
        "versions": assessment.versions,
        "seed": assessment.seed,
        "cite": list(assessment.cite),
    }


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as plain objects, empty cells left out."""
    return [
        {key: value for key, value in row.items() if value != "" and value is not None}
        for row in json.loads(table.to_json(orient="records", double_precision=10))
    ]


def estimates_dataset(estimates: pd.DataFrame) -> xr.Dataset:
    """estimates.csv as CF NetCDF: one row an answer, the key columns as labels."""
    texts = {*ESTIMATE_KEY, "unit", "basis", "note"}
    variables = {
        column: (
            "answer",
            estimates[column].to_numpy(dtype=object if column in texts else float),
            {"long_name": column.replace("_", " ")},
        )
        for column in estimates.columns
    }
    described = "; ".join(f"{name}: {meaning}" for name, (_, meaning) in QUANTITIES.items())
    return xr.Dataset(variables, attrs={"title": "Estimates", "comment": described})
