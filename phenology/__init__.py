"""From banding sheets to answers about timing, fuel and site support.

The public names are loaded when first used, so that importing the package stays light.
"""

from importlib import import_module
from typing import Any

_PUBLIC = {
    "Assessment": "phenology.assess.assessment",
    "Estimates": "phenology.estimates",
    "Study": "phenology.study.study",
    "StudyError": "phenology.errors",
    "assess_study": "phenology.assess.run",
    "open_study": "phenology.study.study",
}

__all__ = ["Assessment", "Estimates", "Study", "StudyError", "assess_study", "open_study"]
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'phenology' has no attribute {name!r}")
    return getattr(import_module(_PUBLIC[name]), name)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
