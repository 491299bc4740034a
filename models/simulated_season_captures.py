"""The sheet of captures of a simulated study, in the order of the work, and the truth behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.simulated_season_birds import PASSAGE, YOUNG
from phenology.models.simulated_season_days import richness
from phenology.models.simulated_season_field_marks import InHand, read_classes, read_marks
from phenology.models.simulated_season_world import (
    AGE_NAMES,
    FIRST_DAY,
    ROLE_NAMES,
    SEX_NAMES,
    World,
)

if TYPE_CHECKING:
    from phenology.models.simulated_season import Year
    from phenology.models.simulated_season_birds import Individuals

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Words = npt.NDArray[np.object_]

COLUMNS = [
    "site",
    "date",
    "time",
    "process_time",
    "release_time",
    "band",
    "band_size",
    "capture",
    "species",
    "age",
    "how_aged",
    "sex",
    "how_sexed",
    "wing_mm",
    "wing_method",
    "tail_mm",
    "bill_mm",
    "r5_width_mm",
    "mass_g",
    "fed_before_weighing",
    "crop",
    "fat",
    "body_moult",
    "flight_moult",
    "breeding",
    "gravid",
    "pollen",
    "gorget_feathers",
    "bill_corrugation",
    "buffy_edging",
    "parasites",
    "released",
    "incident",
    "trap",
    "bander",
    "remarks",
]
BAND_STRING = 10_000  # each station has a block of band numbers of its own
FOREIGN_FIRST = 90_001
FEWEST_LEAN = 15


def write_captures(
    world: World, birds: Individuals, years: list[Year], rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Write the sheet of captures and, row by row, the truth.

    Parameters
    ----------
    world : World
    birds : Individuals
    years : list of Year
    rng : numpy.random.Generator

    Returns
    -------
    sheet, truth : pandas.DataFrame
        Of equal length and order.
    """
    caught = _gather(world, birds, years)
    history = _band(world, caught, rng)
    caught = caught[history["kept"].to_numpy()].reset_index(drop=True)
    history = history[history["kept"]].reset_index(drop=True)
    names = np.array([kind.name for kind in world.species], dtype=object)
    species = names[caught["species"]]
    hand = _in_hand(caught, history)
    marks = read_classes(hand, rng) | read_marks(hand, species.astype(str), rng)
    coarse = caught["mass_step_g"].to_numpy() > 0.05
    hour = np.where(coarse, np.rint(caught["hour"] * 12) / 12, caught["hour"])
    wait = np.minimum(rng.gamma(2.0, 3.0, hour.size), 18.0) / 60 + 1 / 60
    handled = hour + np.rint(wait * 60) / 60
    freed = handled + rng.integers(3, 9, hour.size) / 60
    untimed = rng.random(hour.size) < 0.004
    dates = _dates(caught)
    sheet: dict[str, Words] = dict.fromkeys(COLUMNS, np.full(hour.size, "", dtype=object))
    sheet |= marks | {
        "site": np.array([station.site for station in world.stations], dtype=object)[
            caught["site"]
        ],
        "date": dates.astype(str).astype(object),
        "time": clock(np.where(untimed, np.nan, hour)),
        "process_time": clock(np.where(coarse | untimed, np.nan, handled)),
        "release_time": clock(np.where(untimed, np.nan, freed)),
        "band": history["band"].to_numpy(dtype=object),
        "band_size": np.where(history["band"] == "", "", "X").astype(object),
        "capture": history["capture"].to_numpy(dtype=object),
        "species": species,
        "released": history["released"].to_numpy(dtype=object),
        "incident": history["incident"].to_numpy(dtype=object),
        "trap": _device(caught, rng),
    }
    away = (history["capture"] == "escaped").to_numpy()
    for column in ("wing_mm", "tail_mm", "bill_mm", "r5_width_mm", "mass_g", "fat"):
        sheet[column] = np.where(away, "", sheet[column]).astype(object)
    truth = _truth(world, caught, history, sheet)
    return pd.DataFrame(sheet)[list(COLUMNS)], truth


def clock(hour: FloatArray) -> Words:
    """Hours as "HH:MM", blank where missing."""
    minutes = np.rint(np.nan_to_num(hour) * 60).astype(int)
    text = [f"{minute // 60:02d}:{minute % 60:02d}" for minute in minutes]
    return np.where(np.isnan(hour), "", text).astype(object)


def _gather(world: World, birds: Individuals, years: list[Year]) -> pd.DataFrame:
    """All catches of all seasons in the order in which they happened."""
    parts = []
    steps = np.array([station.mass_step_g for station in world.stations])
    for year in years:
        catch, flock = year.lived.catches, year.flock
        who = catch.flock_index
        bird = flock.bird[who]
        standing = year.lived.standing_kj_per_ha[catch.site, catch.day]
        parts.append(
            pd.DataFrame(
                {
                    "season": year.season,
                    "day": catch.day + FIRST_DAY,
                    "hour": catch.hour,
                    "site": catch.site,
                    "bird": bird,
                    "species": flock.species[who],
                    "sex": flock.sex[who],
                    "age": flock.age[who],
                    "role": flock.role[who],
                    "breeding": catch.day < flock.done[who],
                    "device": catch.device,
                    "which": catch.which,
                    "wing_mm": birds.wing_mm[bird],
                    "bill_mm": birds.bill_mm[bird],
                    "structural_lean_g": flock.lean_g[who],
                    "fuel": catch.fuel,
                    "dawn_fuel": catch.dawn_fuel,
                    "gain_g_per_day": catch.gain_per_day,
                    "crop_g": catch.crop_g,
                    "egg_g": catch.egg_g,
                    "gravid": catch.gravid,
                    "foreign": birds.foreign[bird],
                    "richness": richness(standing),
                    "mass_step_g": steps[catch.site],
                    "since_sunrise_h": catch.hour - year.sessions.sunrise[catch.site, catch.day],
                    "days_out": np.clip(catch.day - flock.enter[who], 0, 100),
                }
            )
        )
    order = ["season", "day", "site", "hour", "bird"]
    return pd.concat(parts, ignore_index=True).sort_values(order, ignore_index=True)


@dataclass
class _Known:
    band: str
    season: int


def _band(world: World, caught: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Band each bird at its first capture and tell later ones apart; the dead are not caught again.

    A station takes numbers from a block of its own; a bird with a stranger's band keeps it.
    """
    next_number = [BAND_STRING * site + 1 for site in range(len(world.stations))]
    next_foreign = FOREIGN_FIRST
    known: dict[int, _Known] = {}
    dead: set[int] = set()
    luck = rng.random((len(caught), 2))
    rows = []
    columns = zip(
        caught["bird"], caught["season"], caught["site"], caught["foreign"], luck, strict=True
    )
    for bird, season, site, foreign, (first, second) in columns:
        if bird in dead:
            rows.append(("", "", "", "", False))
            continue
        before = known.get(bird)
        if before is None and first < 0.008:
            rows.append(("", "escaped", "", "", True))
            continue
        if before is None and foreign:
            known[bird] = before = _Known(f"TEST-{next_foreign:05d}", season)
            next_foreign += 7
            capture = "foreign"
        elif before is None or (first > 0.994 and season > before.season):
            capture = "new" if before is None else "band_replaced"
            known[bird] = before = _Known(f"TEST-{next_number[site]:05d}", season)
            next_number[site] += 1
        else:
            capture = "repeat" if before.season == season else "return"
            before.season = season
        state, incident = "well", ""
        if second < 0.0008:
            state, incident = "died", "found weak"
            dead.add(bird)
        elif second < 0.004:
            state, incident = "injured", "feather loss"
        rows.append((before.band, capture, state, incident, True))
    return pd.DataFrame(rows, columns=["band", "capture", "released", "incident", "kept"])


def _in_hand(caught: pd.DataFrame, history: pd.DataFrame) -> InHand:
    def of(name: str) -> npt.NDArray[np.generic]:
        return np.asarray(caught[name])

    return InHand(
        species=of("species").astype(np.int64),
        sex=of("sex").astype(np.int64),
        age=of("age").astype(np.int64),
        role=of("role").astype(np.int64),
        breeding=of("breeding").astype(bool),
        day=of("day").astype(np.int64),
        wing_mm=of("wing_mm").astype(float),
        bill_mm=of("bill_mm").astype(float),
        lean_g=of("structural_lean_g").astype(float),
        fuel=of("fuel").astype(float),
        crop_g=of("crop_g").astype(float),
        egg_g=of("egg_g").astype(float),
        gravid=of("gravid").astype(bool),
        richness=of("richness").astype(float),
        mass_step_g=of("mass_step_g").astype(float),
        repeat=(history["capture"] == "repeat").to_numpy(),
        wing_wear=np.where(
            caught["role"] == PASSAGE, 0.35, np.minimum(caught["days_out"] / 90.0, 1.0)
        ),
    )


def _dates(caught: pd.DataFrame) -> npt.NDArray[np.datetime64]:
    january = caught["season"].astype(str).to_numpy(dtype="datetime64[Y]").astype("datetime64[D]")
    dates: npt.NDArray[np.datetime64] = january + (caught["day"].to_numpy() - 1)
    return dates


def _device(caught: pd.DataFrame, rng: np.random.Generator) -> Words:
    letter = np.where(caught["device"] == 1, "N", "T")
    named = np.char.add(letter, (caught["which"].to_numpy() + 1).astype(str)).astype(object)
    named[rng.random(len(caught)) < 0.01] = ""
    return named


def _truth(
    world: World, caught: pd.DataFrame, history: pd.DataFrame, sheet: dict[str, Words]
) -> pd.DataFrame:
    """Truth by capture; lean mass by its definition: at fat score 0, empty crop, sunrise.

    `row` is that of the sheet as a spreadsheet numbers it.
    """
    names = np.array([kind.name for kind in world.species], dtype=object)
    truth = pd.DataFrame(
        {
            "row": np.arange(len(caught)) + 2,
            "site": sheet["site"],
            "date": sheet["date"],
            "season": caught["season"],
            "day": caught["day"],
            "bird": caught["bird"],
            "band": history["band"],
            "species": names[caught["species"]],
            "age": np.array(AGE_NAMES, dtype=object)[caught["age"]],
            "sex": np.array(SEX_NAMES, dtype=object)[caught["sex"]],
            "role": np.array(ROLE_NAMES, dtype=object)[caught["role"]],
            "stage": np.where(
                caught["role"] == PASSAGE,
                "fuelling",
                np.where(
                    caught["breeding"],
                    np.where(caught["age"] == YOUNG, "growing up", "breeding"),
                    "after breeding",
                ),
            ),
            "structural_lean_g": caught["structural_lean_g"],
            "body_fuel": caught["fuel"],
            "dawn_fuel": caught["dawn_fuel"],
            "fuel_deposition_g_per_day": caught["gain_g_per_day"],
            "crop_g": caught["crop_g"],
            "egg_g": caught["egg_g"],
            "wing_mm": caught["wing_mm"],
        }
    )
    offset = lean_offset(
        caught["fuel"].to_numpy(), sheet["fat"], caught["since_sunrise_h"].to_numpy()
    )
    truth["lean_mass_g"] = truth["structural_lean_g"] * np.exp(offset)
    truth["fuel_load"] = (1 + truth["body_fuel"]) / np.exp(offset) - 1
    return truth


def lean_offset(fuel: FloatArray, fat: Words, since_sunrise_h: FloatArray) -> float:
    """Log of the mass of birds read as fat 0, at sunrise, over their structural mass.

    Birds at fat 0 are not fat-free and not all alike; this ties the vocabulary's lean mass to
    the simulation's own. A line on hours since sunrise, at zero hours.

    Parameters
    ----------
    fuel : array
        True fuel at capture, as share of structural mass.
    fat : array
        Class as read, "" where missing.
    since_sunrise_h : array [h]

    Returns
    -------
    float
        0 with fewer than 15 such birds.
    """
    lean = np.array([value == 0 and value != "" for value in fat])
    if lean.sum() < FEWEST_LEAN:
        return 0.0
    hours = np.maximum(since_sunrise_h[lean], 0.0)
    _, start = np.polyfit(hours, np.log1p(fuel[lean]), 1)
    return float(start)
