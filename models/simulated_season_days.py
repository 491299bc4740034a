"""The days of a simulated season: birds forage, gain or lose, are caught, and leave.

A day's energy budget rests on published values: field metabolic rate of about 32 kJ a day for a
hummingbird of 4.48 g (Powers & Nagy 1988, Physiol. Zool. 61:500), close to proportional to mass
between 4.9 and 7.2 g (Weathers & Stiles 1989); 33.6 kJ per gram of deposited tissue (Klaassen et
al. 1997, Physiol. Zool. 70:125); gains a day within the range of individuals of that mass
(Lindstrom 2003: 15 % of lean mass a day at most); assimilation of nectar sugar .97 (from memory).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.models.simulated_season_birds import (
    EGG_G,
    GRAVID_DAYS,
    LOCAL,
    NEVER,
    PASSAGE,
    YOUNG,
    Flock,
)
from phenology.models.simulated_season_trapping import Catch, Sessions, catch_birds
from phenology.models.simulated_season_world import DAYS, World

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

METABOLIC_KJ_PER_G_DAY = 32.0 / 4.48
TISSUE_KJ_PER_G = 33.6
ASSIMILATION = 0.97
MOST_EATEN_KJ_PER_G = 16.5  # of lean mass, by a bird with flowers in plenty all day
ARTHROPODS_KJ_PER_G = 1.6
HALF_FED_KJ_PER_HA = 300.0  # nectar at which a bird finds half of what it could drink
INSECT_SHARE = 0.35  # of the nectar that other visitors take
LEFT_OVER = 0.5  # of unvisited nectar still there next day
FEEDER_PULL = 0.42
PORT_FEEDS = 5.0  # birds that one port serves without a queue
NIGHT_SHARE = 0.24  # of a day's expense, spent between dusk and dawn
EQUAL_FUEL_NOISE = 0.03

WAITING, PRESENT, GONE = 0, 1, 2


@dataclass(frozen=True)
class Chances:
    """Random numbers of every bird and day, drawn beforehand.

    They belong to the bird and the day, not to the order of events, so that the same birds meet
    the same luck when one thing in the world is changed.
    """

    leave: npt.NDArray[np.float32]
    wander: npt.NDArray[np.float32]
    device: npt.NDArray[np.float32]
    caught: npt.NDArray[np.float32]
    hour: npt.NDArray[np.float32]
    fuel: npt.NDArray[np.float32]

    @classmethod
    def draw(cls, birds: int, rng: np.random.Generator) -> "Chances":
        """Draw for a season's birds."""
        shape = (birds, DAYS)
        even = [rng.random(shape, dtype=np.float32) for _ in range(5)]
        return cls(*even, rng.standard_normal(shape, dtype=np.float32))


@dataclass(frozen=True)
class Surroundings:
    """What the birds of one season meet, on (site, day) from `FIRST_DAY`.

    nectar in kJ/ha/day; ports of feeders other than the traps'; tmean in degrees C; rain in mm.
    """

    nectar_kj_per_ha: FloatArray
    ports: FloatArray
    tmean_c: FloatArray
    rain_mm: FloatArray
    day_hours: FloatArray


@dataclass(frozen=True)
class Stays:
    """One entry a stay of a bird at a site: when, how fuelled, how fast it gained."""

    flock_index: IntArray
    site: IntArray
    enter: IntArray
    leave: IntArray
    fuel_in: FloatArray
    fuel_out: FloatArray
    reason: IntArray  # 0 ready, 1 nectar gave out, 2 its time was over


@dataclass(frozen=True)
class SeasonLived:
    """What one season left behind.

    Attributes
    ----------
    present : array (sites, species, age, sex, role, days)
        Birds at dawn.
    stays : Stays
    catches : Catch
    was_here : array (birds of the season,)
    standing_kj_per_ha : array (sites, days)
        Nectar at dawn, after what former days left.
    """

    present: IntArray
    stays: Stays
    catches: Catch
    was_here: BoolArray
    standing_kj_per_ha: FloatArray


@dataclass
class _Living:
    state: IntArray
    site: IntArray
    enter: IntArray
    arrived: IntArray
    fuel: FloatArray
    fuel_in: FloatArray
    lean_days: IntArray
    last_caught: IntArray
    moved: BoolArray


def live_season(
    world: World, flock: Flock, around: Surroundings, sessions: Sessions, chances: Chances
) -> SeasonLived:
    """Let a season's birds live it, day by day.

    Each day birds arrive and decide to stay, share nectar and feeder ports, meet traps, balance
    their energy, and leave when fuelled, starved or done.

    Parameters
    ----------
    world : World
    flock : Flock
    around : Surroundings
    sessions : Sessions
    chances : Chances

    Returns
    -------
    SeasonLived
    """
    living = _Living(
        state=np.full(flock.count, WAITING),
        site=flock.site.copy(),
        enter=flock.enter.copy(),
        arrived=np.full(flock.count, NEVER),
        fuel=flock.fuel.copy(),
        fuel_in=flock.fuel.copy(),
        lean_days=np.zeros(flock.count, dtype=np.int64),
        last_caught=np.full(flock.count, -NEVER),
        moved=np.zeros(flock.count, dtype=bool),
    )
    sites = len(world.stations)
    shape = (sites, len(world.species), 2, 2, 2)
    present = np.zeros((*shape, DAYS), dtype=np.int64)
    cell = np.ravel_multi_index(
        (np.zeros_like(flock.site), flock.species, flock.age, flock.sex, flock.role), shape
    )
    per_site = int(np.prod(shape[1:]))
    area = np.array([station.area_ha for station in world.stations])
    left = np.zeros(sites)
    standing = np.zeros((sites, DAYS))
    was_here = np.zeros(flock.count, dtype=bool)
    stays: list[tuple[npt.NDArray[np.generic], ...]] = []
    catches: list[Catch] = []
    for day in range(DAYS):
        standing[:, day] = left + around.nectar_kj_per_ha[:, day]
        _arrive(world, flock, living, standing[:, day], around.ports[:, day], day)
        here = np.flatnonzero(living.state == PRESENT)
        was_here[here] = True
        where = living.site[here] * per_site + cell[here]
        present[..., day] = np.bincount(where, minlength=sites * per_site).reshape(shape)
        meal = _forage(world, flock, living, here, around, sessions, standing[:, day], day)
        caught = catch_birds(world, flock, sessions, here, living.site[here], meal, chances, day)
        living.last_caught[caught.flock_index] = day
        catches.append(caught)
        left = np.maximum(standing[:, day] - meal.drunk_kj / area, 0.0) * LEFT_OVER
        _balance(world, flock, living, here, meal, chances, day)
        stays.append(_leave(world, flock, living, here, around, chances, day))
    columns = [np.concatenate(part) for part in zip(*stays, strict=True)]
    return SeasonLived(
        present=present,
        stays=Stays(*columns),
        catches=Catch.join(catches),
        was_here=was_here,
        standing_kj_per_ha=standing,
    )


def richness(standing: FloatArray) -> FloatArray:
    """Share of what a bird could drink that it finds, 0 to 1."""
    return standing / (standing + HALF_FED_KJ_PER_HA)


def _arrive(
    world: World, flock: Flock, living: _Living, standing: FloatArray, ports: FloatArray, day: int
) -> None:
    due = np.flatnonzero((living.state == WAITING) & (living.enter == day))
    if not due.size:
        return
    site = living.site[due]
    young_local = (flock.role[due] == LOCAL) & (flock.age[due] == YOUNG) & ~living.moved[due]
    if world.numbers == "constant":
        chance = np.where(flock.role[due] == PASSAGE, 0.42, 1.0)
        chance = np.where(young_local, 0.4, chance)
    else:
        # a bird aloft looks down: what it sees decides
        found = richness(standing[site]) + 0.12 * (ports[site] > 0)
        chance = np.where(flock.role[due] == PASSAGE, 0.75 * np.minimum(found, 1.0) ** 1.5, 1.0)
        chance = np.where(young_local, np.clip(0.75 * found - 0.08, 0.05, 0.7), chance)
    chance = np.where(living.moved[due], 1.0, chance)
    stays = flock.settle[due] < chance
    living.state[due] = np.where(stays, PRESENT, GONE)
    living.arrived[due[stays]] = day
    living.fuel_in[due] = living.fuel[due]
    living.lean_days[due] = 0


@dataclass(frozen=True)
class Meal:
    """What the birds present make of a day, one entry a bird (`here`), and of the site's nectar."""

    richness: FloatArray
    trap_share: FloatArray
    change: FloatArray
    spent: FloatArray
    drunk_kj: FloatArray
    fuel: FloatArray
    day_hours: FloatArray
    gravid: BoolArray
    egg_g: FloatArray
    last_caught: IntArray


def _forage(
    world: World,
    flock: Flock,
    living: _Living,
    here: IntArray,
    around: Surroundings,
    sessions: Sessions,
    standing: FloatArray,
    day: int,
) -> Meal:
    """Share out nectar and ports; say how fuel would change by tomorrow's dawn."""
    sites = standing.size
    site, lean, fuel = living.site[here], flock.lean_g[here], living.fuel[here]
    crowd = np.bincount(site, minlength=sites)
    area = np.array([station.area_ha for station in world.stations])
    trap_ports = 4.0 * sessions.traps[:, day]
    session_part = sessions.hours[:, day] / around.day_hours[:, day]
    ports = around.ports[:, day] + trap_ports * session_part
    access = np.minimum(ports * PORT_FEEDS / np.maximum(crowd, 1), 1.0)
    found = richness(standing)
    pull = (FEEDER_PULL * access) ** 2
    at_feeders = np.where(ports > 0, pull / (pull + found**2 + 1e-9), 0.0)
    # at a session's own hours the traps' feeders compete with the other ports
    pull_now = (FEEDER_PULL * np.minimum(trap_ports * PORT_FEEDS / np.maximum(crowd, 1), 1)) ** 2
    trap_share = pull_now / (pull_now + found**2 + 0.35 * (around.ports[:, day] > 0) * pull + 1e-9)
    trap_share = np.where(trap_ports > 0, trap_share, 0.0)

    average = np.bincount(site, flock.standing[here], sites) / np.maximum(crowd, 1)
    rank = flock.standing[here] / average[site]
    fed_by_flowers = (1 - at_feeders[site]) * found[site] * rank
    fed_by_ports = 0.9 * at_feeders[site] * access[site]
    most = lean * (MOST_EATEN_KJ_PER_G * (fed_by_flowers + fed_by_ports) + ARTHROPODS_KJ_PER_G)
    cold = np.clip(1.0 + 0.012 * (16.0 - around.tmean_c[site, day]), 0.85, 1.3)
    torpid = np.where(fuel < 0.04, 0.88, 1.0)
    cost = METABOLIC_KJ_PER_G_DAY * lean * (1 + fuel) * cold * torpid
    fattening = (flock.role[here] == PASSAGE) | (day >= flock.done[here])
    target = np.where(fattening, flock.threshold[here] + 0.05, 0.07)
    growth = np.clip(target - fuel, 0.0, flock.gain_limit[here])
    wanted = (cost + growth * lean * TISSUE_KJ_PER_G) / ASSIMILATION
    eaten = np.minimum(most, wanted)
    from_flowers = fed_by_flowers / np.maximum(fed_by_flowers + fed_by_ports, 1e-9)
    from_flowers = from_flowers * np.maximum(eaten - ARTHROPODS_KJ_PER_G * lean, 0.0)
    asked = np.bincount(site, from_flowers, sites)
    stock = (1 - INSECT_SHARE) * standing * area
    served = np.minimum(1.0, stock / np.maximum(asked, 1e-9))
    eaten = eaten - from_flowers * (1 - served[site])
    drunk = np.minimum(asked, stock) + INSECT_SHARE * standing * area
    since_egg = day - flock.eggs[here]
    carrying = (since_egg >= -GRAVID_DAYS) & (since_egg < 0)
    growth_of_egg = np.where(carrying, (since_egg + GRAVID_DAYS + 1) / GRAVID_DAYS, 0.0)
    return Meal(
        richness=found[site],
        trap_share=trap_share[site],
        change=(ASSIMILATION * eaten - cost) / (TISSUE_KJ_PER_G * lean),
        spent=NIGHT_SHARE * cost / (TISSUE_KJ_PER_G * lean),
        drunk_kj=drunk,
        fuel=fuel,
        day_hours=around.day_hours[site, day],
        gravid=carrying.any(axis=1),
        egg_g=EGG_G * growth_of_egg.max(axis=1),
        last_caught=living.last_caught[here],
    )


def _balance(
    world: World,
    flock: Flock,
    living: _Living,
    here: IntArray,
    meal: Meal,
    chances: Chances,
    day: int,
) -> None:
    """Take the day's gain or loss over to tomorrow's dawn."""
    if world.equal_fuel:
        own = flock.fuel[here] + EQUAL_FUEL_NOISE * chances.fuel[here, day]
        living.fuel[here] = np.clip(own, -0.05, 0.65)
        return
    unsteady = 0.006 * chances.fuel[here, day]
    living.fuel[here] = np.clip(meal.fuel + meal.change + unsteady, -0.08, 0.62)
    losing = meal.change < 0.0
    living.lean_days[here] = np.where(losing, living.lean_days[here] + 1, 0)


def _leave(
    world: World,
    flock: Flock,
    living: _Living,
    here: IntArray,
    around: Surroundings,
    chances: Chances,
    day: int,
) -> tuple[npt.NDArray[np.generic], ...]:
    """Let go the birds that leave after this day; some turn up at another station."""
    stayed = day - living.arrived[here] + 1
    luck = chances.leave[here, day]
    role, fuel = flock.role[here], living.fuel[here]
    over = (day >= flock.latest[here]) | (day == DAYS - 1)
    if world.numbers == "constant":
        goes = over | (stayed >= flock.planned[here])
        reason = np.full(here.size, 2)
    else:
        # a bird that waits long makes do with less
        threshold = flock.threshold[here] * np.maximum(1.0 - 0.015 * stayed, 0.55)
        threshold = np.where(role == LOCAL, flock.threshold[here], threshold)
        ready = (fuel >= threshold) & (day >= flock.done[here])
        if world.equal_fuel:
            ready = stayed >= flock.planned[here]
        wet = around.rain_mm[living.site[here], day] > 5.0
        patience = np.where(role == PASSAGE, 3, 6)
        starving = (living.lean_days[here] >= patience) & (fuel < 0.05)
        breeding = (role == LOCAL) & (day < flock.done[here])
        goes = ready & (luck < np.where(wet, 0.3, 0.85))
        gives_up = starving & (luck < np.where(breeding, 0.08, 0.5))
        reason = np.where(over, 2, np.where(goes, 0, 1))
        goes = goes | gives_up | over
    out = here[goes]
    reason = reason[goes]
    stays = (
        out,
        living.site[out].copy(),
        living.arrived[out].copy(),
        np.full(out.size, day),
        living.fuel_in[out].copy(),
        living.fuel[out].copy(),
        reason,
    )
    living.state[out] = GONE
    _wander(world, flock, living, out, chances, day)
    return stays


def _wander(
    world: World, flock: Flock, living: _Living, out: IntArray, chances: Chances, day: int
) -> None:
    """Some that leave stop again at another station, one to three days later."""
    if len(world.stations) < 2 or day > DAYS - 6:
        return
    draw = chances.wander[out, day]
    after_breeding = (flock.role[out] == LOCAL) & (day < flock.latest[out])
    chance = np.where(after_breeding, 0.06, 0.03)
    going = (draw < chance) & ~living.moved[out]
    mover = out[going]
    step = 1 + np.floor(draw[going] / chance[going] * (len(world.stations) - 1)).astype(np.int64)
    living.site[mover] = (living.site[mover] + step) % len(world.stations)
    living.state[mover] = WAITING
    living.enter[mover] = day + 2
    living.moved[mover] = True
    if not world.equal_fuel:
        living.fuel[mover] = np.maximum(living.fuel[mover] - 0.08, -0.02)
