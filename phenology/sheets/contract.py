"""The contract of every sheet, read once from columns.toml."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Literal

Kind = Literal[
    "text", "site", "species", "date", "time", "number", "integer", "choice", "yes_no", "fat"
]


@dataclass(frozen=True)
class Column:
    """One column of a sheet: its name, what it holds and what a missing value means."""

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    range: tuple[float, float] | None = None
    choices: tuple[str, ...] = ()
    missing: Literal["allowed", "set aside"] = "allowed"
    headings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Sheet:
    """One kind of sheet and its columns, in order."""

    name: str
    meaning: str
    required: bool
    columns: MappingProxyType[str, Column]


@cache
def sheet_contracts() -> MappingProxyType[str, Sheet]:
    """Every kind of sheet by name.

    Examples
    --------
    >>> sheet_contracts()["captures"].columns["mass_g"].unit
    'g'
    """
    text = files("phenology.sheets").joinpath("columns.toml").read_text(encoding="utf-8")
    return MappingProxyType(
        {name: _sheet(name, declared) for name, declared in tomllib.loads(text).items()}
    )


def column_reference() -> list[dict[str, str]]:
    """The reference page of columns: one row a column, made from the contract.

    Examples
    --------
    >>> column_reference()[0]["column"]
    'site'
    """
    return [
        {
            "sheet": sheet.name,
            "column": column.name,
            "meaning": column.meaning,
            "unit": column.unit,
            "range": " to ".join(f"{end:g}" for end in column.range or ()),
            "words": ", ".join(column.choices),
            "if missing": "row set aside" if column.missing == "set aside" else "allowed",
        }
        for sheet in sheet_contracts().values()
        for column in sheet.columns.values()
    ]


def _sheet(name: str, declared: dict[str, Any]) -> Sheet:
    columns = {key: _column(key, entry) for key, entry in declared["columns"].items()}
    return Sheet(
        name=name,
        meaning=declared["meaning"],
        required=declared.get("required", False),
        columns=MappingProxyType(columns),
    )


def _column(name: str, entry: dict[str, Any]) -> Column:
    listed: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in entry.items()
    }
    return Column(name=name, **listed)
