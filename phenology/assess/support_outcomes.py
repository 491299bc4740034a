"""Outcomes of support: what of a bird a driver may change, and which birds count."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.assess.signs import after_breeding, breeds, moults, noted
from phenology.assess.support_rows import Birds
from phenology.birds import one_of_season
from phenology.models.refusal import Refused

Array = npt.NDArray[np.float64]

LONGEST_STAY_DAYS = 15  # between two captures of one stay
FEWEST_FOLLOWED = 2  # seasons with a later one, for what moves return: three in all, as survival


@dataclass(frozen=True)
class Outcome:
    """What a driver may change.

    Attributes
    ----------
    quantity : str
        Name in the vocabulary.
    kind : {"mean", "share"}
    roles : tuple of str
        Roles for which the outcome means something.
    unit : str
        Of an effect.
    note : str
        What a reader must know beside every effect.
    values : callable
        Of `Birds`: draws (draw, bird) or values (bird,), NaN where a bird does not count; None
        where nothing was asked, `Refused` where the sheets lack what it takes.
    ages_apart : bool
        Whether birds are like by group; an outcome that is itself an age is like by species.
    """

    quantity: str
    kind: Literal["mean", "share"]
    roles: tuple[str, ...]
    unit: str
    note: str
    values: Callable[[Birds], Array | None]
    ages_apart: bool = True


def _carried(name: str) -> Callable[[Birds], Array | None]:
    def values(birds: Birds) -> Array | None:
        if name not in birds.draws:
            return None
        counts = birds.table["first_of_season"] & ~_gravid(birds.table)
        return np.where(counts.to_numpy(dtype=bool), birds.draws[name], np.nan)

    return values


def _gravid(table: pd.DataFrame) -> pd.Series:
    return table["gravid"].fillna(False).astype(bool)


def _ready(birds: Birds) -> Array | None:
    """Whether the last capture of a stay carries fuel to the next stop."""
    if birds.next_stop_km is None or "potential_range_km" not in birds.draws:
        return None
    counts = one_of_season(birds.table, "last") & ~_gravid(birds.table)
    reach = birds.draws["potential_range_km"]
    told = counts.to_numpy(dtype=bool) & np.isfinite(reach)
    return np.where(told, reach >= birds.next_stop_km, np.nan)


def _gain(birds: Birds) -> Array | None:
    """Gain of mass a day from one capture to the next of the same stay, at the first of the two."""
    table = birds.table
    usable = table[table["band"].notna() & table["mass_g"].notna() & ~_gravid(table)]
    order = usable.sort_values(["date", "time"], kind="stable")
    same = order.groupby(["site", "season", "band"])
    days = (same["date"].shift(-1) - order["date"]).dt.days
    gain = (same["mass_g"].shift(-1) - order["mass_g"]) / days
    kept = gain[(days >= 1) & (days <= LONGEST_STAY_DAYS)]
    return kept.reindex(table.index).to_numpy(dtype=float) if len(kept) else None


def _young(birds: Birds) -> Array | None:
    """1 for young, 0 for adult females, first captures; others do not count."""
    table = birds.table
    young = table["age"].eq("young")
    mother = table["age"].eq("adult") & table["sex"].eq("female")
    counts = table["first_of_season"] & (young | mother)
    return np.where(counts.fillna(False), young.astype(float), np.nan)


def _pollen(birds: Birds) -> Array | None:
    pollen = birds.table["pollen"]
    return None if pollen.isna().all() else noted(pollen).to_numpy()


def _fuel_after_breeding(birds: Birds) -> Array | None:
    """Fuel at the last capture of a season, of birds whose breeding is over by then."""
    if "fuel_load" not in birds.draws:
        return None
    table = birds.table
    _require(table, "breeding", "when the breeding of local birds was over")
    if not (breeds(table) == 1).any():
        raise Refused("no bird showed a sign of breeding: when it was over is not told")
    counts = one_of_season(table, "last") & after_breeding(table)
    return np.where(counts.to_numpy(dtype=bool), birds.draws["fuel_load"], np.nan)


def _moulting(birds: Birds) -> Array:
    _require(birds.table, "body_moult", "which birds moult", "flight_moult")
    return _of_adults(birds.table, moults(birds.table))


def _breeding(birds: Birds) -> Array:
    """Of birds whose column is filled: where it is empty, an egg would tell of those with one."""
    _require(birds.table, "breeding", "which birds breed")
    return _of_adults(birds.table, breeds(birds.table).where(birds.table["breeding"].notna()))


def _of_adults(table: pd.DataFrame, values: pd.Series[float]) -> Array:
    adult = table["first_of_season"] & table["age"].eq("adult")
    counts = adult.fillna(False).to_numpy(dtype=bool)
    return np.where(counts, values.to_numpy(dtype=float), np.nan)


def _require(table: pd.DataFrame, column: str, told: str, other: str = "") -> None:
    columns = [name for name in (column, other) if name]
    if table[columns].isna().to_numpy().all():
        raise Refused(
            f"{' and '.join(columns)} {'are' if other else 'is'} empty in the captures, so that "
            f"{told} is not told; write what was seen, and 'no' where nothing was"
        )


def _return(birds: Birds) -> Array | None:
    """Whether a banded adult was caught in the next season its site worked; the last is censored.

    The next alone, so that early seasons, with more later ones, have no more chances than late.
    """
    table = birds.table
    adult = table["band"].notna() & table["first_of_season"] & table["age"].eq("adult")
    worked = table[["site", "season_year"]].drop_duplicates().sort_values(["site", "season_year"])
    worked["then"] = worked.groupby("site")["season_year"].shift(-1).astype(float)
    then = table[["site", "season_year"]].merge(worked, how="left")["then"].to_numpy()
    counts = (adult & np.isfinite(then)).to_numpy(dtype=bool)
    if not adult.any():
        return None
    followed = table.loc[counts & table["p_local"].ne(0), "season_year"].nunique()
    if followed < FEWEST_FOLLOWED:
        seasons = "1 season has" if followed == 1 else f"{followed} seasons have"
        raise Refused(
            f"{seasons} a later one in which local birds could come back; what moves return is "
            f"told from {FEWEST_FOLLOWED}"
        )
    caught = pd.MultiIndex.from_arrays(
        [table["site"], table["band"], table["season_year"].astype(float)]
    )
    again = pd.MultiIndex.from_arrays([table["site"], table["band"], then]).isin(caught)
    return np.where(counts, again.astype(float), np.nan)


BOTH = ("local", "passage")
OUTCOMES = (
    Outcome("fuel_load", "mean", BOTH, "share of lean mass",
            "fuel at first capture is what the bird brought: a description, not support",
            _carried("fuel_load")),
    Outcome("lean_condition", "mean", BOTH, "log mass ratio", "", _carried("residual")),
    Outcome("fuel_deposition_g_per_day", "mean", BOTH, "g/day",
            "from birds that stayed and were caught again", _gain),
    Outcome("share_ready", "share", ("passage",), "share of birds", "", _ready),
    Outcome("young_per_adult", "share", ("local",), "share of young", "", _young, ages_apart=False),
    Outcome("pollen_share", "share", BOTH, "share of birds",
            "a sign of natural nectar, not of how much", _pollen),
    Outcome("return_rate", "share", ("local",), "share of birds",
            "caught again in the next season worked, which takes surviving, coming back and being "
            "caught", _return),
    Outcome("fuel_after_breeding", "mean", ("local",), "share of lean mass",
            "at the last capture of birds whose breeding was over", _fuel_after_breeding),
    Outcome("moult_share", "share", ("local",), "share of birds",
            "how far moult has come: a description, not support", _moulting),
    Outcome("breeding_share", "share", ("local",), "share of birds",
            "how far breeding has come: a description, not support; birds of mixed species are "
            "left out, for breeding tells their role", _breeding),
)  # fmt: skip
