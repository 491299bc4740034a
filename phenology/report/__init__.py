"""What a run found, told: figures, words, tables and one HTML file that opens offline.

The public names are loaded when first used, so that importing the package stays light.
"""

from importlib import import_module
from typing import Any

_PUBLIC = {
    "render_report": "phenology.report.report",
    "report_tables": "phenology.report.tables",
}

__all__ = ["render_report", "report_tables"]


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'phenology.report' has no attribute {name!r}")
    return getattr(import_module(_PUBLIC[name]), name)
