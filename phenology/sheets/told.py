"""Findings told outside the program: CSV, JSON, a page, a count by severity and sheet."""

from __future__ import annotations

import json
from html import escape

import pandas as pd

from phenology.csv_text import csv_text
from phenology.quantities import SEVERITIES
from phenology.sheets.finding import FINDING_COLUMNS

_STYLE = (
    "body{font:16px/1.5 system-ui,sans-serif;margin:2rem;color:#222}"
    "table{border-collapse:collapse;width:100%}td,th{border-bottom:1px solid #ccc;"
    "padding:.3rem .5rem;text-align:left;vertical-align:top;overflow-wrap:anywhere}"
)


def findings_csv(findings: pd.DataFrame) -> str:
    """Write the findings as CSV, in the columns of findings.csv."""
    return csv_text(findings)


def findings_json(findings: pd.DataFrame) -> str:
    """Write the findings as a JSON list of objects; a missing row number is null."""
    rows = findings.astype(object).where(findings.notna(), None)
    return json.dumps(rows.to_dict("records"), ensure_ascii=False, indent=1) + "\n"


def findings_html(findings: pd.DataFrame, title: str) -> str:
    """Write the findings as one page that loads nothing and runs nothing.

    Examples
    --------
    >>> from phenology.sheets.finding import findings_table
    >>> "<h1>Findings: a &lt; b</h1>" in findings_html(findings_table([]), "a < b")
    True
    """
    heading = "".join(f"<th scope=col>{name}</th>" for name in FINDING_COLUMNS)
    lines = []
    for row in findings.itertuples(index=False):
        cells = ("" if pd.isna(value) else escape(str(value)) for value in row)
        lines.append("<tr>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>")
    counts = ", ".join(
        f"{int((findings['severity'] == severity).sum())} {severity}" for severity in SEVERITIES
    )
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        f"<title>Findings</title><style>{_STYLE}</style></head><body>\n"
        f"<h1>Findings: {escape(title)}</h1>\n<p>{counts}.</p>\n"
        f"<table><thead><tr>{heading}</tr></thead><tbody>\n"
        + "\n".join(lines)
        + "\n</tbody></table>\n</body></html>\n"
    )


def count_findings(findings: pd.DataFrame) -> pd.DataFrame:
    """Count findings by severity, sheet and kind, the gravest first.

    Returns
    -------
    pandas.DataFrame
        severity, sheet, kind, findings, example (its message).
    """
    order = {severity: place for place, severity in enumerate(SEVERITIES)}
    counted = (
        findings.groupby(["severity", "sheet", "kind"], sort=False)
        .agg(findings=("kind", "size"), example=("message", "first"))
        .reset_index()
    )
    counted["order"] = counted["severity"].map(order)
    counted = counted.sort_values(["order", "sheet", "findings"], ascending=[True, True, False])
    return counted.drop(columns="order").reset_index(drop=True)
