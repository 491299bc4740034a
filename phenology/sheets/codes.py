"""The codebook: what a field code means in a column, by common practice and by study.toml."""

import tomllib
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from phenology.errors import StudyError
from phenology.sheets.contract import Column, sheet_contracts
from phenology.study.options import StudyOptions

OPEN_LABELS = ("age", "sex")  # labels not known stay groups as written


def bare(text: str) -> str:
    """Write a code in the form in which codes are compared.

    Examples
    --------
    >>> bare(" \uff21HY. "), bare("Broad-tailed  Hummingbird")
    ('ahy', 'broad-tailed hummingbird')
    """
    text = " ".join(unicodedata.normalize("NFKC", text).casefold().replace("\u2019", "'").split())
    return text.rstrip(".") or text


@cache
def built_in() -> dict[str, Any]:
    """Read codes.toml."""
    text = files("phenology.sheets").joinpath("codes.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@dataclass(frozen=True)
class Meaning:
    """What a cell of a coded column says: a value, or why there is none."""

    value: str | None
    missing: str = ""


@dataclass(frozen=True)
class Codebook:
    """Codes of one column: bare code to meaning."""

    codes: dict[str, Meaning]

    def meaning(self, text: str) -> Meaning | None:
        """Meaning of a cell, or None if the code is not known."""
        return self.codes.get(bare(text))


def column_codebook(sheet: str, column: Column, options: StudyOptions) -> Codebook:
    """Gather the codes of one column, those of study.toml last.

    Parameters
    ----------
    sheet : str
        Kind of sheet.
    column : Column
    options : StudyOptions

    Returns
    -------
    Codebook

    Raises
    ------
    StudyError
        If study.toml gives a code a meaning that the column cannot hold.
    """
    codes = {
        bare(code): Meaning(None, why)
        for why, listed in built_in()["missing"].items()
        for code in listed
    }
    known = _values(column, options)
    for value, listed in known.items():
        codes |= {bare(code): Meaning(value) for code in (value, *listed)}
    if column.kind == "fat":
        codes |= {
            bare("9" * n): Meaning(None, "not recorded") for n in (1, 2) if "9" * n not in known
        }
    for code, meaning in options.codes.get(sheet, {}).get(column.name, {}).items():
        codes[bare(code)] = _declared(sheet, column, code, meaning, known)
    return Codebook(codes)


def fat_levels(options: StudyOptions) -> tuple[str, ...]:
    """Levels of the study's fat scale, leanest first."""
    if options.fat_levels:
        return options.fat_levels
    return tuple(built_in()["fat"][options.fat_scale]["levels"])


def _values(column: Column, options: StudyOptions) -> dict[str, list[str]]:
    """Canonical values of a coded column, each with its codes."""
    if column.kind == "fat":
        values: dict[str, list[str]] = {level: [] for level in fat_levels(options)}
        for word, level in built_in()["fat"].get(options.fat_scale, {}).get("words", {}).items():
            values[level].append(word)
        return values
    if column.kind == "yes_no":
        return dict(built_in()["yes_no"])
    if column.kind == "choice":
        listed = built_in()["columns"].get(column.name, {})
        extra = {"recapture": listed["recapture"]} if column.name == "capture" else {}
        return {choice: listed.get(choice, []) for choice in column.choices} | extra
    if column.kind == "species":
        return species_names(options)
    return {}


def _declared(
    sheet: str, column: Column, code: str, meaning: str, known: dict[str, list[str]]
) -> Meaning:
    if meaning in built_in()["missing"]:
        return Meaning(None, meaning)
    if known and meaning not in known and column.name not in OPEN_LABELS:
        raise StudyError(
            f"study.toml: codes.{sheet}.{column.name}.{code} means {meaning!r}, which the column "
            "cannot hold.",
            f"Choose one of: {', '.join([*known, *built_in()['missing']])}.",
        )
    return Meaning(meaning)


def species_names(options: StudyOptions) -> dict[str, list[str]]:
    """Canonical species names, each with its codes, common names and synonyms.

    Species of study.toml come first and keep the name that study.toml gives them.
    """
    names = {species: list(entry.codes) for species, entry in options.species.items()}
    by_bare = {bare(species): species for species in names}
    for species, listed in built_in()["species"].items():
        chosen = next(
            (by_bare[bare(name)] for name in (species, *listed) if bare(name) in by_bare), species
        )
        names.setdefault(chosen, [])
        names[chosen] += [name for name in (species, *listed) if name != chosen]
    taken = {bare(code) for entry in options.species.values() for code in entry.codes}
    return {
        species: [
            code
            for code in listed
            if bare(code) not in taken or code in getattr(options.species.get(species), "codes", ())
        ]
        for species, listed in names.items()
    }


def list_codes(options: StudyOptions | None = None) -> Iterator[tuple[str, str, str, str]]:
    """List the codebook: sheet, column, code, meaning.

    Parameters
    ----------
    options : StudyOptions, optional
        A study whose own codes count; without it, common practice alone.
    """
    if options is None:
        options = StudyOptions(name="", species={})
    for why, listed in built_in()["missing"].items():
        for code in listed:
            yield "any", "any", code, why
    for sheet, contract in sheet_contracts().items():
        for column in contract.columns.values():
            for value, listed in _values(column, options).items():
                for code in listed:
                    yield sheet, column.name, code, value
            for code, meaning in options.codes.get(sheet, {}).get(column.name, {}).items():
                yield sheet, column.name, code, meaning
