"""The birds that come to the stations of a simulated study in one season, and when."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.models.simulated_season_birds import (
    ADULT,
    FEMALE,
    LOCAL,
    MALE,
    NEST_DAYS,
    NEVER,
    PASSAGE,
    YOUNG,
    BoolArray,
    FloatArray,
    Flock,
    Individuals,
    IntArray,
    Returning,
)
from phenology.models.simulated_season_world import DAYS, FIRST_DAY, World

YOUNG_LEAN = 0.985
DAYS_LATER_PER_KM = 20.0  # spring comes later to higher stations


def muster(
    world: World,
    birds: Individuals,
    season: int,
    spring_nectar: FloatArray,
    *,
    back: Returning,
    rng: np.random.Generator,
) -> Flock:
    """Call up the birds that may use the stations in a season.

    Locals come back to their territories and recruits fill the rest; each pair may rear up to two
    broods of two; passage birds leave their breeding grounds by class (adult males first, young
    last) and fly at a pace of their own.

    Parameters
    ----------
    world : World
    birds : Individuals
        Extended by the birds that are new.
    season : int
    spring_nectar : array (sites,)
        Nectar of May and June relative to the sites' mean over seasons.
    back : Returning
        Birds of the season before that live and are faithful.
    rng : numpy.random.Generator

    Returns
    -------
    Flock
    """
    call = _Call(world, birds, season, back, rng)
    parts: list[dict[str, npt.NDArray[np.generic]]] = []
    late = rng.normal(0, 2.0) if world.numbers == "following_bloom" else 0.0
    for number, kind in enumerate(world.species):
        shift = late + rng.normal(0, 2.0)
        flux = _year_factor(world, 0.25, rng)
        brood = _year_factor(world, 0.30, rng)
        for site, station in enumerate(world.stations):
            if kind.pairs:
                vigour = _year_factor(world, 0.12, rng)
                if world.numbers == "following_bloom":
                    vigour *= spring_nectar[site] ** 0.35
                pairs = max(round(kind.pairs * station.quality * vigour), 1)
                parts.extend(_locals(call, number, site, pairs))
            if sum(kind.passage_birds):
                local_flux = flux * _year_factor(world, 0.15, rng)
                wanted = [
                    round(birds_over * local_flux * (brood if cls == 2 else 1.0))
                    for cls, birds_over in enumerate(kind.passage_birds)
                ]
                parts.append(_passage(call, number, site, wanted, shift))
    merged = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    return _furnish(world, birds, merged, rng)


@dataclass(frozen=True)
class _Call:
    """What calling up a season's birds needs throughout."""

    world: World
    birds: Individuals
    season: int
    back: Returning
    rng: np.random.Generator

    def newcomers(self, count: int, **traits: int | IntArray) -> IntArray:
        """Add birds that are alike in some traits.

        As many as there are places are drawn, whoever comes back, so that the luck of later birds
        does not hang on who lived.
        """
        full = {name: np.full(count, value, dtype=np.int64) for name, value in traits.items()}
        return self.birds.extend(self.world, self.rng, **full)

    def adults(
        self, count: int, *, species: int, sex: int, role: int, site: int
    ) -> tuple[IntArray, BoolArray]:
        """Birds that come again, as far as there are, and newcomers; who of them comes again."""
        back = self.back.of(self.birds, species, sex=sex, role=role, site=site)[:count]
        fresh = self.newcomers(
            count,
            species=species,
            sex=sex,
            role=role,
            hatched=self.season - 2,
            home=site if role == LOCAL else -1,
        )
        return np.concatenate([back, fresh[back.size :]]), np.arange(count) < back.size


def _year_factor(world: World, spread: float, rng: np.random.Generator) -> float:
    drawn = float(rng.lognormal(-(spread**2) / 2, spread))
    return drawn if world.numbers == "following_bloom" else 1.0


def _locals(
    call: _Call, number: int, site: int, pairs: int
) -> list[dict[str, npt.NDArray[np.generic]]]:
    """Adults of one species at one site, and the young that they may rear."""
    kind, rng = call.world.species[number], call.rng
    parts = []
    for sex in (MALE, FEMALE):
        bird, returned = call.adults(pairs, species=number, sex=sex, role=LOCAL, site=site)
        spring = kind.spring_day + (6.0 if sex == FEMALE else 0.0)
        spring += DAYS_LATER_PER_KM * (call.world.stations[site].elevation_m / 1000.0 - 1.7)
        enter = _day(spring + 5.0 * call.birds.pace[bird])
        done = _day(
            (196.0 if sex == MALE else 210.0) + rng.normal(0, 8.0, pairs) + 0.3 * (spring - 106)
        )
        latest = _day((242.0 if sex == MALE else 262.0) + rng.normal(0, 6.0, pairs))
        eggs = np.full((pairs, 3), NEVER)
        if sex == FEMALE:
            first = enter + np.rint(rng.gamma(6.0, 3.5, pairs)).astype(np.int64) + 10
            eggs[:, 0] = first
            eggs[:, 1] = first + NEST_DAYS + rng.integers(0, 12, pairs)
            done = np.maximum(done, eggs[:, 1] + NEST_DAYS + 4)
            again = rng.random(pairs) < 0.15  # a third clutch is laid but seldom reared
            eggs[:, 2] = np.where(again, eggs[:, 1] + NEST_DAYS - 6, NEVER)
            latest = np.maximum(latest, done + 8)
            parts.append(_nestlings(call, number, site, eggs[:, :2]))
        parts.append(
            _part(
                bird,
                site,
                enter,
                role=LOCAL,
                age=ADULT,
                done=done,
                latest=latest,
                planned=latest - enter - rng.integers(0, 12, pairs),
                eggs=eggs,
                returned=returned,
            )
        )
    return parts


def _nestlings(
    call: _Call, number: int, site: int, eggs: IntArray
) -> dict[str, npt.NDArray[np.generic]]:
    """Two young a clutch, present from fledging on, if the nest thrives."""
    rng = call.rng
    fledge = np.repeat(eggs.ravel() + NEST_DAYS, 2)
    count = fledge.size
    sexes = rng.integers(0, 2, count)
    bird = call.newcomers(
        count, species=number, sex=sexes, role=LOCAL, hatched=call.season, home=site
    )
    done = fledge + 14 + rng.integers(0, 10, count)
    latest = np.maximum(_day(266.0 + rng.normal(0, 7.0, count)), done + 6)
    planned = np.minimum(np.rint(rng.gamma(5.0, 7.0, count)).astype(np.int64) + 14, latest - fledge)
    return _part(
        bird,
        site,
        fledge,
        role=LOCAL,
        age=YOUNG,
        done=done,
        latest=latest,
        planned=planned,
        eggs=np.full((count, 3), NEVER),
        returned=np.zeros(count, dtype=bool),
    )


def _passage(
    call: _Call, number: int, site: int, wanted: list[int], shift: float
) -> dict[str, npt.NDArray[np.generic]]:
    """Birds that fly over one site: each class leaves the north in its time, at its own pace."""
    kind, station = call.world.species[number], call.world.stations[site]
    rng = call.rng
    parts = []
    for cls, count in enumerate(wanted):
        age = YOUNG if cls == 2 else ADULT
        halves = ((MALE, count - count // 2), (FEMALE, count // 2))
        for sex, share in halves if age == YOUNG else ((cls, count),):
            kin = {"species": number, "sex": sex, "role": PASSAGE}
            if age == ADULT:
                bird, returned = call.adults(share, site=site, **kin)
            else:
                bird = call.newcomers(share, hatched=call.season, home=-1, **kin)
                returned = np.zeros(share, dtype=bool)
            wave = (0.0, 15.0, 25.0)[cls]
            leave = kind.leave_day + wave + rng.gamma(3.0, 3.6, share)
            speed = 56.0 * np.exp(0.17 * call.birds.pace[bird] - 0.01)
            enter = np.floor(leave + station.passage_km / speed + shift - FIRST_DAY)
            enter = enter.astype(np.int64)
            brief = rng.random(share) < 0.3
            planned = np.where(brief, 1, 2 + np.rint(rng.gamma(2.0, 2.4, share)).astype(np.int64))
            parts.append(
                _part(
                    bird,
                    site,
                    enter,
                    role=PASSAGE,
                    age=age,
                    done=enter,
                    latest=np.full(share, DAYS - 2),
                    planned=planned,
                    eggs=np.full((share, 3), NEVER),
                    returned=returned,
                )
            )
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _day(day_of_year: FloatArray) -> IntArray:
    day: IntArray = np.maximum(np.rint(day_of_year), FIRST_DAY).astype(np.int64) - FIRST_DAY
    return day


def _part(
    bird: IntArray,
    site: int,
    enter: IntArray,
    *,
    role: int,
    age: int,
    **arrays: npt.NDArray[np.generic],
) -> dict[str, npt.NDArray[np.generic]]:
    return {
        "bird": bird,
        "site": np.full(bird.size, site),
        "enter": enter,
        "role": np.full(bird.size, role),
        "age": np.full(bird.size, age),
        **arrays,
    }


def _furnish(
    world: World,
    birds: Individuals,
    merged: dict[str, npt.NDArray[np.generic]],
    rng: np.random.Generator,
) -> Flock:
    """Give every bird of the season its fuel, its threshold and its standing at flowers."""
    bird, role, age = (merged[name].astype(np.int64) for name in ("bird", "role", "age"))
    count = bird.size
    sex = birds.sex[bird]
    shrink = np.where(age == YOUNG, YOUNG_LEAN, 1.0)
    rich = rng.random(count) < 0.22  # some bring what they need and only rest
    carried = np.where(rich, rng.normal(0.34, 0.06, count), rng.gamma(3.0, 0.035, count))
    carried = carried - np.where(age == YOUNG, 0.015, 0.0)
    idle = rng.normal(0.06, 0.03, count)
    fuel = np.where(role == PASSAGE, carried, idle)
    if world.equal_fuel:
        fuel = rng.gamma(4.0, 0.04, count)
    threshold = np.where(
        role == PASSAGE,
        rng.normal(0.38, 0.07, count),
        rng.normal(0.30, 0.06, count),
    )
    standing = np.where(sex == MALE, 1.15, 1.0) * np.where(age == YOUNG, 0.88, 1.0)
    return Flock(
        bird=bird,
        species=birds.species[bird],
        sex=sex,
        age=age,
        role=role,
        site=merged["site"].astype(np.int64),
        enter=merged["enter"].astype(np.int64),
        done=merged["done"].astype(np.int64),
        latest=merged["latest"].astype(np.int64),
        planned=merged["planned"].astype(np.int64),
        lean_g=birds.structural_lean_g[bird] * shrink,
        fuel=np.clip(fuel, -0.03, 0.58),
        threshold=np.clip(threshold, 0.2, 0.6),
        gain_limit=np.clip(rng.lognormal(np.log(0.085), 0.25, count), 0.04, 0.15),
        boldness=birds.boldness[bird],
        standing=standing * rng.lognormal(0, 0.08, count),
        eggs=merged["eggs"].astype(np.int64),
        returned=merged["returned"].astype(bool),
        settle=rng.random(count),
    )
