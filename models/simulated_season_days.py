"""The days of a simulated season: birds forage, gain or lose, are caught, and leave.

A day's energy budget rests on published values: field metabolic rate of about 32 kJ a day for a
hummingbird of 4.48 g (Powers & Nagy 1988, Physiol. Zool. 61:500), close to proportional to mass
between 4.9 and 7.2 g (Weathers & Stiles 1989); 33.6 kJ per gram of deposited tissue (Klaassen et
al. 1997, Physiol. Zool. 70:125); gains a day within the range of individuals of that mass
(Lindstrom 2003: 15 % of lean mass a day at most); assimilation of nectar sugar .97 (from memory).
"""

from __future__ import annotations

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
from phenology.models.simulated_season_trapping import BirdDays, Catch, Sessions, catch_birds
from phenology.models.simulated_season_world import DAYS, World

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

METABOLIC_KJ_PER_G_DAY = 32.0 / 4.48
TISSUE_KJ_PER_G = 33.6
ASSIMILATION = 0.97
MOST_EATEN_KJ_PER_G = 16.5  # of lean mass, by a bird with flowers in plenty all day
HUNTED_KJ_PER_G = 1.6  # small arthropods, a day
HUNTED_BREEDING_KJ_PER_G = 7.0  # and, on a territory, what lies beyond the station's flowers
BREEDING_FUEL = 0.07
HALF_FED_KJ_PER_HA = 300.0  # nectar at which a bird finds half of what it could drink
INSECT_SHARE = 0.35  # of the nectar that other visitors take
LEFT_OVER = 0.5  # of unvisited nectar still there next day
FEEDER_PULL = 0.42
RIVAL_PULL = 0.35  # of other feeders, on birds that would come to a trap
PORT_YIELD = 0.9
TRAP_PORTS = 4
LOCAL_VISITS = 0.15  # territories lie farther from the traps than a passage bird roams
PORT_FEEDS = 5.0  # birds that one port serves without a queue
SEEN_FEEDERS = 0.12  # what feeders add to the look of a place
NIGHT_SHARE = 0.24  # of a day's expense, spent between dusk and dawn
LONG_STAY_DAYS = 12  # after which a passage bird may move on unfuelled
EQUAL_FUEL_NOISE = 0.03

WAITING, PRESENT, GONE = 0, 1, 2


@dataclass(frozen=True)
class _Ports:
    """Feeders by site: access without a queue, share of foraging there, share at the traps."""

    access: FloatArray
    feeder_share: FloatArray
    trap_share: FloatArray


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
    def draw(cls, birds: int, rng: np.random.Generator) -> Chances:
        """Draw for a season's birds."""
        shape = (birds, DAYS)
        return cls(
            leave=rng.random(shape, dtype=np.float32),
            wander=rng.random(shape, dtype=np.float32),
            device=rng.random(shape, dtype=np.float32),
            caught=rng.random(shape, dtype=np.float32),
            hour=rng.random(shape, dtype=np.float32),
            fuel=rng.standard_normal(shape, dtype=np.float32),
        )


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
    season = _Season(world, flock, around, sessions, chances)
    sites = len(world.stations)
    shape = (sites, len(world.species), 2, 2, 2)
    present = np.zeros((*shape, DAYS), dtype=np.int64)
    classes = (flock.species, flock.age, flock.sex, flock.role)
    cell = np.ravel_multi_index((np.zeros_like(flock.site), *classes), shape)
    per_site = int(np.prod(shape[1:]))
    left = np.zeros(sites)
    standing = np.zeros((sites, DAYS))
    was_here = np.zeros(flock.count, dtype=bool)
    stays: list[tuple[npt.NDArray[np.generic], ...]] = []
    catches: list[Catch] = []
    for day in range(DAYS):
        standing[:, day] = left + around.nectar_kj_per_ha[:, day]
        season.arrive(day, standing[:, day])
        here = np.flatnonzero(season.state == PRESENT)
        was_here[here] = True
        where = season.site[here] * per_site + cell[here]
        present[..., day] = np.bincount(where, minlength=sites * per_site).reshape(shape)
        birds, drunk = season.forage(day, here, standing[:, day])
        caught = catch_birds(world, sessions, birds, day)
        season.last_caught[caught.flock_index] = day
        catches.append(caught)
        left = np.maximum(standing[:, day] - drunk, 0.0) * LEFT_OVER
        season.balance(day, birds)
        stays.append(season.leave(day, here))
    columns = [np.concatenate(part) for part in zip(*stays, strict=True)]
    return SeasonLived(
        present=present,
        stays=Stays(*columns),
        catches=Catch.join(catches),
        was_here=was_here,
        standing_kj_per_ha=standing,
    )


def richness(standing: FloatArray) -> FloatArray:
    """Share of what a bird could drink that it finds, 0 to 1, by nectar at dawn [kJ/ha]."""
    return standing / (standing + HALF_FED_KJ_PER_HA)


class _Season:
    """The season under way: where every bird is and how it is fuelled."""

    def __init__(
        self,
        world: World,
        flock: Flock,
        around: Surroundings,
        sessions: Sessions,
        chances: Chances,
    ) -> None:
        self.world = world
        self.flock = flock
        self.around = around
        self.sessions = sessions
        self.chances = chances
        self.area_ha = np.array([station.area_ha for station in world.stations])
        self.state = np.full(flock.count, WAITING)
        self.site = flock.site.copy()
        self.enter = flock.enter.copy()
        self.arrived = np.full(flock.count, NEVER)
        self.fuel = flock.fuel.copy()
        self.fuel_in = flock.fuel.copy()
        self.lean_days = np.zeros(flock.count, dtype=np.int64)
        self.last_caught = np.full(flock.count, -NEVER)
        self.moved = np.zeros(flock.count, dtype=bool)

    def arrive(self, day: int, standing: FloatArray) -> None:
        """Let the birds due today settle or fly on."""
        due = np.flatnonzero((self.state == WAITING) & (self.enter == day))
        if not due.size:
            return
        site = self.site[due]
        young_local = (
            (self.flock.role[due] == LOCAL) & (self.flock.age[due] == YOUNG) & ~self.moved[due]
        )
        if self.world.numbers == "constant":
            chance = np.where(self.flock.role[due] == PASSAGE, 0.42, 1.0)
            chance = np.where(young_local, 0.4, chance)
        else:
            # a bird aloft looks down: what it sees decides
            found = richness(standing[site]) + SEEN_FEEDERS * (self.around.ports[site, day] > 0)
            chance = np.where(
                self.flock.role[due] == PASSAGE, 0.75 * np.minimum(found, 1.0) ** 1.5, 1.0
            )
            chance = np.where(young_local, np.clip(0.75 * found - 0.08, 0.05, 0.7), chance)
        chance = np.where(self.moved[due], 1.0, chance)
        stays = self.flock.settle[due] < chance
        self.state[due] = np.where(stays, PRESENT, GONE)
        self.arrived[due[stays]] = day
        self.fuel_in[due] = self.fuel[due]
        self.lean_days[due] = 0

    def forage(self, day: int, here: IntArray, standing: FloatArray) -> tuple[BirdDays, FloatArray]:
        """Share out nectar and ports.

        Returns the birds present, with the change of fuel by tomorrow's dawn, and the nectar drunk
        [kJ/ha] by site.
        """
        flock, around = self.flock, self.around
        site, lean, fuel = self.site[here], flock.lean_g[here], self.fuel[here]
        crowd = np.maximum(np.bincount(site, minlength=standing.size), 1)
        found = richness(standing)
        ports = self._ports(day, found, crowd)
        fed_by_flowers, fed_by_ports = self._fed(here, found, crowd, ports)
        breeding = (flock.role[here] == LOCAL) & (day < flock.done[here])
        hunted = np.where(breeding, HUNTED_BREEDING_KJ_PER_G, HUNTED_KJ_PER_G)
        most = lean * (MOST_EATEN_KJ_PER_G * (fed_by_flowers + fed_by_ports) + hunted)
        cold = np.clip(1.0 + 0.012 * (16.0 - around.tmean_c[site, day]), 0.85, 1.3)
        torpid = np.where(fuel < 0.04, 0.88, 1.0)
        cost = METABOLIC_KJ_PER_G_DAY * lean * (1 + fuel) * cold * torpid
        target = np.where(breeding, BREEDING_FUEL, flock.threshold[here] + 0.05)
        growth = np.clip(target - fuel, 0.0, flock.gain_limit[here])
        wanted = (cost + growth * lean * TISSUE_KJ_PER_G) / ASSIMILATION
        eaten = np.minimum(most, wanted)

        from_flowers = fed_by_flowers / np.maximum(fed_by_flowers + fed_by_ports, 1e-9)
        from_flowers = from_flowers * np.maximum(eaten - hunted * lean, 0.0)
        asked = np.bincount(site, from_flowers, standing.size) / self.area_ha
        stock = (1 - INSECT_SHARE) * standing
        served = np.minimum(1.0, stock / np.maximum(asked, 1e-9))
        eaten = eaten - from_flowers * (1 - served[site])
        change = (ASSIMILATION * eaten - cost) / (TISSUE_KJ_PER_G * lean)
        if self.world.equal_fuel:
            change = np.zeros_like(change)
        since_egg = day - flock.eggs[here]
        carrying = (since_egg >= -GRAVID_DAYS) & (since_egg < 0)
        grown = np.where(carrying, (since_egg + GRAVID_DAYS + 1) / GRAVID_DAYS, 0.0)
        birds = BirdDays(
            flock_index=here,
            site=site,
            visits=flock.boldness[here] * np.where(flock.role[here] == LOCAL, LOCAL_VISITS, 1.0),
            richness=found[site],
            trap_share=ports.trap_share[site],
            lean_g=lean,
            fuel=fuel,
            change=change,
            spent=NIGHT_SHARE * METABOLIC_KJ_PER_G_DAY * (1 + fuel) * cold / TISSUE_KJ_PER_G,
            day_hours=around.day_hours[site, day],
            gravid=np.asarray(carrying.any(axis=1)),
            egg_g=EGG_G * grown.max(axis=1),
            since_caught=day - self.last_caught[here],
            luck=self.chances.caught[here, day].astype(float),
            moment=self.chances.hour[here, day].astype(float),
            device=self.chances.device[here, day].astype(float),
        )
        return birds, np.minimum(asked, stock) + INSECT_SHARE * standing

    def _ports(self, day: int, found: FloatArray, crowd: IntArray) -> _Ports:
        """How far feeders draw birds from flowers, and traps at their own hours."""
        rivals = self.around.ports[:, day]
        trap_ports = TRAP_PORTS * self.sessions.traps[:, day]
        session_part = self.sessions.hours[:, day] / self.around.day_hours[:, day]
        all_day = rivals + trap_ports * session_part
        access = np.minimum(all_day * PORT_FEEDS / crowd, 1.0)
        pull = (FEEDER_PULL * access) ** 2
        trap_pull = (FEEDER_PULL * np.minimum(trap_ports * PORT_FEEDS / crowd, 1.0)) ** 2
        rival_pull = RIVAL_PULL * np.where(rivals > 0, pull, 0.0)
        return _Ports(
            access=access,
            feeder_share=pull / (pull + found**2 + 1e-9),
            trap_share=trap_pull / (trap_pull + found**2 + rival_pull + 1e-9),
        )

    def _fed(
        self, here: IntArray, found: FloatArray, crowd: IntArray, ports: _Ports
    ) -> tuple[FloatArray, FloatArray]:
        """Shares of what a bird could drink that it finds at flowers and at ports."""
        site, standing = self.site[here], self.flock.standing[here]
        average = np.bincount(site, standing, found.size) / crowd
        rank = standing / average[site]
        at_ports = ports.feeder_share[site]
        by_flowers: FloatArray = (1 - at_ports) * found[site] * rank
        return by_flowers, PORT_YIELD * at_ports * ports.access[site]

    def balance(self, day: int, birds: BirdDays) -> None:
        """Take the day's gain or loss over to tomorrow's dawn."""
        here = birds.flock_index
        noise = self.chances.fuel[here, day]
        if self.world.equal_fuel:
            self.fuel[here] = np.clip(self.flock.fuel[here] + EQUAL_FUEL_NOISE * noise, -0.05, 0.65)
            return
        self.fuel[here] = np.clip(birds.fuel + birds.change + 0.006 * noise, -0.08, 0.62)
        self.lean_days[here] = np.where(birds.change < 0.0, self.lean_days[here] + 1, 0)

    def leave(self, day: int, here: IntArray) -> tuple[npt.NDArray[np.generic], ...]:
        """Let go the birds that leave after this day; some turn up at another station."""
        stayed = day - self.arrived[here] + 1
        luck = self.chances.leave[here, day]
        role, fuel = self.flock.role[here], self.fuel[here]
        over = (day >= self.flock.latest[here]) | (day == DAYS - 1)
        if self.world.numbers == "constant":
            goes = over | (stayed >= self.flock.planned[here])
            reason = np.full(here.size, 2)
        else:
            # a bird that waits long makes do with less
            threshold = self.flock.threshold[here] * np.maximum(1.0 - 0.015 * stayed, 0.5)
            threshold = np.where(role == LOCAL, self.flock.threshold[here], threshold)
            ready = (fuel >= threshold) & (day >= self.flock.done[here])
            if self.world.equal_fuel:
                ready = stayed >= self.flock.planned[here]
            wet = self.around.rain_mm[self.site[here], day] > 5.0
            patience = np.where(role == PASSAGE, 3, 6)
            starving = (self.lean_days[here] >= patience) & (fuel < 0.05)
            breeding = (role == LOCAL) & (day < self.flock.done[here])
            goes = ready & (luck < np.where(wet, 0.3, 0.85))
            gives_up = starving & (luck < np.where(breeding, 0.04, 0.5))
            reason = np.where(over, 2, np.where(goes, 0, 1))
            weary = (role == PASSAGE) & (stayed > LONG_STAY_DAYS) & (luck > 0.88)
            goes = goes | gives_up | weary | over
        out = here[goes]
        reason = reason[goes]
        stays = (
            out,
            self.site[out].copy(),
            self.arrived[out].copy(),
            np.full(out.size, day),
            self.fuel_in[out].copy(),
            self.fuel[out].copy(),
            reason,
        )
        self.state[out] = GONE
        self._wander(day, out)
        return stays

    def _wander(self, day: int, out: IntArray) -> None:
        """Some that leave stop again at another station, one to three days later."""
        if len(self.world.stations) < 2 or day > DAYS - 6:
            return
        draw = self.chances.wander[out, day]
        after_breeding = (self.flock.role[out] == LOCAL) & (day < self.flock.latest[out])
        chance = np.where(after_breeding, 0.06, 0.03)
        going = (draw < chance) & ~self.moved[out]
        mover = out[going]
        step = 1 + np.floor(draw[going] / chance[going] * (len(self.world.stations) - 1)).astype(
            np.int64
        )
        self.site[mover] = (self.site[mover] + step) % len(self.world.stations)
        self.state[mover] = WAITING
        self.enter[mover] = day + 2
        self.moved[mover] = True
        if not self.world.equal_fuel:
            self.fuel[mover] = np.maximum(self.fuel[mover] - 0.08, -0.02)
