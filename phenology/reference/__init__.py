"""Reference values: TOML files, each value with its source and how far to trust it."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

TRUST = ("read", "quoted", "computed", "memory")


@dataclass(frozen=True)
class ReferenceValue:
    """A published number with its unit, source and trust (one of `TRUST`)."""

    value: float
    unit: str
    meaning: str
    source: str
    trust: str
    low: float | None = None
    high: float | None = None
    mass_g: float | None = None


@dataclass(frozen=True)
class FatScale:
    """A fat scale: its levels in words, leanest first, and their limits where it states them."""

    meaning: str
    levels: tuple[str, ...]
    source: str
    trust: str
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()


@cache
def energy_values() -> MappingProxyType[str, ReferenceValue]:
    """Energy, flight and fuelling constants by name.

    Examples
    --------
    >>> energy_values()["tissue_energy"].value
    33.6
    """
    return MappingProxyType(
        {name: ReferenceValue(**entry) for name, entry in _read("energy.toml").items()}
    )


@cache
def fat_scales() -> MappingProxyType[str, FatScale]:
    """Published fat scales by name.

    Examples
    --------
    >>> fat_scales()["0-5"].levels[-1]
    'bulging'
    """
    return MappingProxyType(
        {
            name: FatScale(
                meaning=entry["meaning"],
                levels=tuple(entry["levels"]),
                source=entry["source"],
                trust=entry["trust"],
                low=tuple(entry.get("low", ())),
                high=tuple(entry.get("high", ())),
            )
            for name, entry in _read("fat_scales.toml").items()
        }
    )


def kind_of_bird(species: str) -> str | None:
    """Kind whose range law was calibrated for birds like this one; None where there is none.

    Parameters
    ----------
    species : str
        Scientific name; its first word, the genus, decides.

    Examples
    --------
    >>> kind_of_bird("Selasphorus rufus"), kind_of_bird("Buteo jamaicensis")
    ('hummingbird', None)
    """
    genus = species.split(" ", 1)[0]
    for kind, entry in _read("species.toml").items():
        if genus in entry["genera"]:
            return kind
    return None


@cache
def _read(name: str) -> dict[str, Any]:
    return tomllib.loads(files("phenology.reference").joinpath(name).read_text(encoding="utf-8"))
