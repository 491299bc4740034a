"""A doubt about a sheet, and the table that gathers all doubts."""

from collections.abc import Sequence
from typing import NamedTuple

import pandas as pd


class Finding(NamedTuple):
    """One doubt: where it is, what is wrong, how sure that is, and what was done."""

    sheet: str
    file: str
    tab: str
    row: int | None
    column: str
    value: str
    kind: str
    severity: str
    message: str
    suggestion: str
    action: str


FINDING_COLUMNS = Finding._fields


def findings_table(findings: Sequence[Finding]) -> pd.DataFrame:
    """All findings as a table with the columns of findings.csv, in the order of the sheets.

    Examples
    --------
    >>> table = findings_table([])
    >>> list(table.columns)[:5], len(table)
    (['sheet', 'file', 'tab', 'row', 'column'], 0)
    """
    table = pd.DataFrame(findings, columns=list(FINDING_COLUMNS))
    text = {name: "str" for name in FINDING_COLUMNS if name != "row"}
    table = table.astype({**text, "row": "Int64"})
    return table.sort_values(
        ["sheet", "file", "tab", "row"], kind="stable", na_position="first", ignore_index=True
    )
