"""Helpers: an invented study with known effects, its support models, a finished run of it."""

from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from phenology.assess.assessment import Assessment
from phenology.assess.comparison import compare_sites
from phenology.assess.condition import Condition
from phenology.assess.outputs import SUPPORT, write_run
from phenology.assess.support import assess_support
from phenology.assess.support_store import pack_support
from phenology.estimates import Estimates
from phenology.groups import assign_groups
from phenology.models.support_simulated import simulate_support
from phenology.publish import publish
from phenology.seasons import Window, season_labels
from phenology.sitedays import join_site_days
from phenology.study.options import parse_options
from phenology.study.study import Study, open_study

WINDOWS = (Window("", 150, 290),)
SPECIES = {
    "local": "Selasphorus platycercus",
    "passage": "Selasphorus rufus",
    "mixed": "Calypte anna",
}


def invented_parts():
    """An invented study whose lean condition follows bloom in locals, feeders in passage birds."""
    rng = np.random.default_rng(21)
    effects = {
        "local": {"bloom": -0.5},
        "passage": {"feeders": 0.9, "monsoon_onset": 0.3},
    }
    simulated = simulate_support(rng, sites=4, seasons=9, effects=effects)
    birds = simulated.birds
    dates = pd.to_datetime(birds["season"].astype(str)) + pd.to_timedelta(birds["day"] - 1, "D")
    number = len(birds)
    captures = pd.DataFrame(
        {
            "site": birds["site"],
            "date": dates.astype("datetime64[s]"),
            "time": rng.uniform(6, 10, number),
            "band": [f"TEST-{place:05d}" for place in range(number)],
            "species": np.where(simulated.local, SPECIES["local"], SPECIES["passage"]),
            "age": birds["group"].str.split().str[0],
            "sex": birds["group"].str.split().str[1].fillna("unknown"),
            "mass_g": rng.normal(3.3, 0.2, number),
            "gravid": pd.array([pd.NA] * number, dtype="boolean"),
            **{name: pd.Series(pd.NA, range(number), dtype="str")
               for name in ("breeding", "body_moult", "flight_moult")},
            "pollen": pd.Series(np.where(rng.random(number) < 0.4, "bill", "no")),
        }
    )  # fmt: skip
    options = parse_options(
        {"name": "Invented", "species": {name: role for role, name in SPECIES.items()}}
    )
    study = Study(
        folder=Path("invented"), options=options, sheets={"captures": captures},
        findings=pd.DataFrame(), set_aside=pd.DataFrame(), rows={}, fat_levels=("0", "1"),
        inputs={},
    )  # fmt: skip
    hand = xr.Dataset(
        {
            "residual": (
                ("draw", "bird"),
                0.05 * simulated.outcome + rng.normal(0, 0.005, (60, number)),
            ),
            "fuel_load": (
                ("draw", "bird"),
                rng.normal(0.2, 0.05, number) + rng.normal(0, 0.01, (60, number)),
            ),
        },
        coords={"bird": captures.index.to_numpy()},
    )
    days = birds.assign(date=dates).groupby(["site", "date"])[["bloom", "feeders"]].first()
    site_days = days.to_xarray().rename(bloom="bloom_index", feeders="feeders_up")
    site_days["season_surveyed"] = site_days["bloom_index"].notnull()
    site_days["effort_hours"] = (
        ("site", "date", "bait"),
        np.ones((*site_days["bloom_index"].shape, 3)) * [4.0, 0.0, 0.0],
    )
    site_days = site_days.assign_coords(bait=["baited", "unbaited", "either"])
    monsoon = (
        birds.groupby(["site", "season"])["monsoon_onset"].first().rename("onset_day")
        .reset_index().assign(spi=np.nan)
    )  # fmt: skip
    return study, site_days, hand, monsoon


def assess_invented(parts, **changes):
    study, site_days, hand, monsoon = parts
    seasons = season_labels(study.captures["date"], WINDOWS)
    groups = study.captures["species"] + " " + study.captures["age"]
    answers = Estimates()
    told = assess_support(
        study,
        site_days,
        answers,
        **{
            "groups": groups,
            "seasons": seasons,
            "windows": WINDOWS,
            "condition": Condition(pd.DataFrame(), {"birds": hand}, pd.DataFrame()),
            "seed": 1,
            "monsoon_years": monsoon,
        }
        | changes,
    )
    return told, answers.table()


def write_finished(folder: Path, parts, told, where: pd.DataFrame | None = None) -> Path:
    """Write the invented study as sheets, and a run of its support models into its results.

    `where` are other columns of its sites than their places along a line.
    """
    invented = parts[0]
    folder.mkdir()
    toml = 'name = "Invented"\n[species]\n'
    toml += "".join(f'"{name}" = "{role}"\n' for role, name in SPECIES.items())
    (folder / "study.toml").write_text(toml)
    invented.captures.to_csv(folder / "captures.csv", index=False)
    sites = sorted(set(invented.captures["site"]))
    line = {"latitude": np.linspace(30, 31, len(sites)), "longitude": -108.2, "elevation_m": 2100}
    placed = pd.DataFrame(line) if where is None else where
    placed.assign(site=sites).to_csv(folder / "sites.csv", index=False)
    study = open_study(folder)
    assigned = assign_groups(study.captures, study.options.group_by, 1)
    answers = Estimates()
    compare_sites(told, answers)
    assessment = Assessment(
        study=study,
        site_days=join_site_days(study, assigned["group"], 1),
        estimates=answers.table(),
        captures=study.captures.drop(columns=["bander", "remarks"]).join(assigned),
        curves=pd.DataFrame(),
        draws={SUPPORT + name: packed for name, packed in pack_support(told).items()},
        diagnostics=pd.DataFrame(),
        narrowed=(),
        seed=1,
        inputs=study.inputs,
    )
    with publish(folder / "results") as build:
        write_run(assessment, build)
    return folder
