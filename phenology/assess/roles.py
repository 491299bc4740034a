"""Role of the birds of mixed species: local or passage, as probability and as draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.assess.signs import noted
from phenology.birds import bird_of_capture
from phenology.models.refusal import Refused
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE, ROLES

if TYPE_CHECKING:
    import xarray as xr

    from phenology.estimates import Estimates
    from phenology.study.study import Study

Array = npt.NDArray[np.float64]
Halves = npt.NDArray[np.float16]  # hold 0, 1 and missing; large studies have many
Flags = npt.NDArray[np.bool_]

COLUMNS = ("p_local", "p_local_low", "p_local_high")
BLIND_NOTE = "roles drawn without fuel: the roles differ by this much or more"
FEWEST_BIRDS = 30  # of a species, in all seasons
FEWEST_OF_A_ROLE = 5  # on average over draws, for the fuel of a role
STATED = {"local": 1.0, "passage": 0.0, "mixed": np.nan}  # by study.toml
SIGNS: dict[str | int, int] = {"fuel_load": -1, "span_days": 1, "moved": -1}
# Traits that are, or reveal, an outcome: no draw used with the outcome has seen them. Young per
# adult has no draws, for a bird's group, which every draw has seen, tells its age; nor has the
# share that breeds, for a sign of breeding makes a known local bird.
REVEALING = {
    "fuel_load": ("fuel_load",),
    "lean_condition": ("fuel_load",),
    "fuel_deposition_g_per_day": ("fuel_load",),
    "share_ready": ("fuel_load",),
    "pollen_share": (),
    "return_rate": (),
    "fuel_after_breeding": ("fuel_load",),
    "moult_share": ("moult",),
}


@dataclass(frozen=True)
class Roles:
    """What is known of the role of each capture.

    Attributes
    ----------
    birds : DataFrame
        As captures: `COLUMNS`; the interval is missing where study.toml states the role.
    draws : dict of ndarray of float16, (draw, capture)
        By outcome: 1 local, 0 passage, drawn without the outcome; missing where not known.
    """

    birds: pd.DataFrame
    draws: dict[str, Halves]


def assess_roles(
    study: Study,
    groups: pd.Series,
    seasons: pd.Series,
    hand: xr.Dataset | None,
    answers: Estimates,
    seed: int,
    effort: pd.DataFrame | None = None,
) -> Roles:
    """Tell local from passage birds in species that breed and pass at a site.

    A bird is one band at one site in one season. Its traits are the day of its first capture, the
    span of its captures, fuel at first capture, moult, and whether it was caught at another site
    in the same season; signs of breeding make a known local bird.

    Parameters
    ----------
    study : Study
    groups, seasons : Series
        Group and season label of each capture, indexed as `study.captures`.
    hand : Dataset or None
        `fuel_load` on (draw, bird), from the lean mass model.
    answers : Estimates
        Gains share_local, and fuel_load by role.
    seed : int
    effort : DataFrame, optional
        place, day, hours: when each site was worked, so that a site worked in August alone is
        not thought to lack the birds of May.
    """
    stated = stated_roles(study)
    chance = stated.map(STATED)
    table = pd.DataFrame(np.nan, index=study.captures.index, columns=list(COLUMNS))
    table["p_local"] = chance
    birds = bird_seasons(study, groups, seasons, stated, hand)
    drawn: dict[tuple[str, ...], Halves] = {}
    for species in sorted(study.captures["species"].unique()):
        of_species = birds[birds["species"] == species]
        if not (of_species["stated"] == "mixed").any():
            continue
        try:
            local, probability = _draw_species(of_species, seed, effort)
        except Refused as reason:
            answers.refuse("share_local", str(reason), birds=len(of_species), group=species)
            continue
        for without, values in local.items():
            if without not in drawn:
                drawn[without] = np.tile(chance.to_numpy(dtype=np.float16), (len(values), 1))
            _spread(drawn[without], values, of_species, table.index)
        quantiles = np.quantile(probability, [LOW_QUANTILE, HIGH_QUANTILE], axis=0)
        told = np.vstack([probability.mean(axis=0), quantiles])
        values = np.full((3, len(table)), np.nan)
        _spread(values, told, of_species, table.index)
        captures = ~np.isnan(values[0])
        table.loc[captures, list(COLUMNS)] = values[:, captures].T
        _report_share(of_species, local[()], answers)
        if hand is not None:
            _report_fuel(of_species, local[REVEALING["fuel_load"]], hand, answers)
    draws = {outcome: drawn[without] for outcome, without in REVEALING.items() if drawn}
    return Roles(table, draws)


def stated_roles(study: Study) -> pd.Series[str]:
    """Role of each capture's species at its site, as study.toml states it; else mixed."""
    roles = []
    for species, site in zip(study.captures["species"], study.captures["site"], strict=True):
        options = study.options.species.get(species)
        roles.append("mixed" if options is None else options.sites.get(site, options.role))
    return pd.Series(roles, index=study.captures.index, dtype=str)


def days_worked(site_days: xr.Dataset) -> pd.DataFrame:
    """Hours of each session, as place, day of the year and hours."""
    hours = site_days["effort_hours"].sum("bait").to_series().rename("hours").reset_index()
    hours = hours[hours["hours"] > 0]
    return pd.DataFrame(
        {
            "place": hours["site"].astype(str),
            "day": hours["date"].dt.day_of_year.astype(float),
            "hours": hours["hours"],
        }
    )


def bird_seasons(
    study: Study,
    groups: pd.Series,
    seasons: pd.Series,
    stated: pd.Series[str],
    hand: xr.Dataset | None,
) -> pd.DataFrame:
    """One row a bird, site and season, indexed by its first capture, with its traits.

    `captures` holds an array of the labels of all its captures.
    """
    captures = study.captures
    fuel = pd.Series(np.nan, index=captures.index)
    if hand is not None:
        fuel[hand.indexes["bird"]] = hand["fuel_load"].median("draw").to_numpy()
    table = captures.assign(group=groups, season=seasons, stated=stated, fuel_load=fuel)
    table = table.sort_values(["date", "time"], kind="stable")
    table["bird"] = bird_of_capture(table)
    table["known_local"] = noted(table["breeding"]).eq(1) | table["gravid"].fillna(False).astype(
        bool
    )
    by_bird = table.groupby(["site", "season", "bird"], sort=False, dropna=False)
    sites = table.groupby(["season", "bird"])["site"].transform("nunique")
    span = (by_bird["date"].transform("max") - by_bird["date"].transform("min")).dt.days
    table["span_days"] = span.where(span > 0).astype(float)
    table["moved"] = (sites > 1).astype(float)
    table["day"] = table["date"].dt.day_of_year.astype(float)
    table["moult"] = table["body_moult"].astype(object)
    table["known_local"] = by_bird["known_local"].transform("any")
    bird = by_bird.ngroup().to_numpy()
    birds = table.loc[~table.duplicated(["site", "season", "bird"])].copy()
    labels = table.index.to_numpy()[np.argsort(bird, kind="stable")]
    birds["captures"] = np.split(labels, np.cumsum(np.bincount(bird))[:-1])
    return birds


def _draw_species(
    birds: pd.DataFrame, seed: int, effort: pd.DataFrame | None
) -> tuple[dict[tuple[str, ...], Flags], Array]:
    """Draws of each bird's role by the traits left out, and the probability by every trait."""
    from phenology.models.role import SPECIES_PRIOR, RoleModel

    if len(birds) < FEWEST_BIRDS:
        raise Refused(
            f"{len(birds)} birds of the species; telling roles apart needs {FEWEST_BIRDS}"
        )
    model = RoleModel(by_group=("day",), dates=("day",), signs=SIGNS, seed=seed)
    known = np.where(birds["known_local"], ROLES[0], "unknown")
    prior = birds["stated"].map(SPECIES_PRIOR).to_numpy(dtype=float)
    traits = birds[["day", "fuel_load", "span_days", "moult", "moved"]]
    traits = traits.drop(columns=[name for name in traits if traits[name].nunique() < 2])
    drawn = {
        without: model.draw_roles(
            traits, known, prior_local=prior, group=birds["group"], place=birds["site"],
            effort=effort, without=without,
        )
        for without in dict.fromkeys(REVEALING.values())
    }  # fmt: skip
    return {without: local for without, (local, _) in drawn.items()}, drawn[()][1]


def _spread(
    target: npt.NDArray[Any], values: npt.NDArray[Any], birds: pd.DataFrame, index: pd.Index
) -> None:
    """Write each bird's column into the columns of all its captures."""
    counts = birds["captures"].str.len().to_numpy(dtype=int)
    where = index.get_indexer(np.concatenate(birds["captures"].to_list()))
    target[:, where] = np.repeat(values, counts, axis=1)


def _report_share(birds: pd.DataFrame, local: Flags, answers: Estimates) -> None:
    places: list[tuple[dict[str, Any], Any]] = [
        ({"group": str(name)}, rows) for name, rows in birds.groupby("group").indices.items()
    ]
    keys = ["site", "season", "group"]
    places += [
        (dict(zip(keys, map(str, names), strict=True)), rows)
        for names, rows in birds.groupby(keys).indices.items()
        if len(rows) >= 2 * FEWEST_OF_A_ROLE
    ]
    for key, rows in places:
        share = local[:, rows].mean(axis=1)
        answers.add("share_local", share, birds=len(rows), basis="measured", **key)


def _report_fuel(birds: pd.DataFrame, local: Flags, hand: xr.Dataset, answers: Estimates) -> None:
    """Mean fuel at first capture of each group's local and passage birds, by draws of role."""
    draws = min(len(local), hand.sizes["draw"])
    place = hand.indexes["bird"].get_indexer(birds.index)
    fuel = hand["fuel_load"].transpose("draw", "bird").to_numpy()[:draws, place].astype(float)
    for group, rows in birds.groupby("group").indices.items():
        weighed = rows[place[rows] >= 0]
        for role, of_role in zip(ROLES, (local, ~local), strict=True):
            counted = of_role[:draws, weighed]
            number = counted.sum(axis=1)
            if number.mean() < FEWEST_OF_A_ROLE or number.min() == 0:
                continue
            mean = (counted * fuel[:, weighed]).sum(axis=1) / number
            answers.add(
                "fuel_load",
                mean,
                birds=round(number.mean()),
                basis="measured",
                note=BLIND_NOTE,
                group=group,
                role=role,
            )
