"""Trapping in a simulated season: sessions of baited traps and unbaited nets, and who is caught."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from phenology.models.simulated_season_world import DAYS, FIRST_DAY, Plan, World

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

VISIT_RATE = 0.50  # captures an hour and trap of a bird that feeds at traps alone
CONSTANT_SHARE = 0.30  # time at traps where catchability does not follow bloom
NET_RATE = 0.014  # captures an hour and net of a bird
NET_SLOPE = 0.7  # birds fly about more where flowers are poor, so nets catch a little more
HANDLING_PER_HOUR = 9.0  # birds an hour that one trap can take
HUNGER = 0.25
SHY_FACTOR = 0.15  # just after a capture
SHY_DAYS = 14.0
AGAIN = 0.12
MEAL_G = 0.2  # a meal at the bait


@dataclass(frozen=True)
class Sessions:
    """Work of one season on (site, day): devices up, opening [h, local], length [h].

    `sunrise` is in hours, local; `ended` says why a session closed.
    """

    traps: IntArray
    nets: IntArray
    opening: FloatArray
    hours: FloatArray
    sunrise: FloatArray
    ended: npt.NDArray[np.str_]
    capacity: IntArray


@dataclass(frozen=True)
class BirdDays:
    """The birds present on one day, one entry a bird.

    `visits` are those to traps relative to a bird that feeds there alone; `richness` and
    `trap_share` are what the bird's site offers; `fuel` is that at dawn, `change` the gain by the
    next, `spent` what a night costs, all as shares of lean mass. `luck`, `moment` and `device`
    are even draws of its own.
    """

    flock_index: IntArray
    site: IntArray
    visits: FloatArray
    richness: FloatArray
    trap_share: FloatArray
    lean_g: FloatArray
    fuel: FloatArray
    change: FloatArray
    spent: FloatArray
    day_hours: FloatArray
    gravid: BoolArray
    egg_g: FloatArray
    since_caught: IntArray
    luck: FloatArray
    moment: FloatArray
    device: FloatArray


@dataclass(frozen=True)
class Catch:
    """One entry a capture; `flock_index` points into the season's flock.

    Fuel is that at the moment of capture, without crop and egg; `device` 0 is a trap, 1 a net;
    `which` numbers the device.
    """

    flock_index: IntArray
    site: IntArray
    day: IntArray
    hour: FloatArray
    device: IntArray
    which: IntArray
    fuel: FloatArray
    dawn_fuel: FloatArray
    gain_per_day: FloatArray
    crop_g: FloatArray
    egg_g: FloatArray
    gravid: BoolArray

    @classmethod
    def none(cls) -> Catch:
        """No capture."""
        whole, real, truth = np.empty(0, dtype=np.int64), np.empty(0), np.empty(0, dtype=bool)
        kinds = {"IntArray": whole, "FloatArray": real, "BoolArray": truth}
        return cls(**{column.name: kinds[str(column.type)] for column in fields(cls)})

    @classmethod
    def join(cls, parts: list[Catch]) -> Catch:
        """Put the captures of many days into one."""
        return cls(
            *(
                np.concatenate([getattr(part, column.name) for part in parts])
                for column in fields(cls)
            )
        )


def plan_sessions(
    world: World,
    season: int,
    rng: np.random.Generator,
    *,
    sunrise: FloatArray,
    tmax_c: FloatArray,
    rain_mm: FloatArray,
) -> Sessions:
    """Lay out a season's sessions by each station's plan and the day's weather.

    Rain and heat end some sessions early. Lost seasons have none.

    Parameters
    ----------
    world : World
    season : int
    rng : numpy.random.Generator
    sunrise, tmax_c, rain_mm : arrays (sites, days)

    Returns
    -------
    Sessions
    """
    shape = (len(world.stations), DAYS)
    traps, nets = np.zeros(shape, dtype=np.int64), np.zeros(shape, dtype=np.int64)
    late = rng.uniform(0.0, 0.4, shape)
    spread = rng.normal(0, 1, shape)
    stop = rng.random((2, *shape))
    hours = np.zeros(shape)
    ended = np.full(shape, "planned", dtype="<U8")
    for site, station in enumerate(world.stations):
        days = _session_days(station.plan, rng)
        if season in [lost for lost, _, _ in station.lost]:
            continue
        traps[site, days] = station.plan.traps
        nets[site, days[:: station.plan.net_every]] = station.plan.nets
        length = station.plan.hours + station.plan.hours_sd * spread[site]
        hours[site, days] = np.clip(length[days], 2.0, 8.0)
    up = hours > 0
    for reason, cause, draw in (
        ("rain", rain_mm > 9.0, stop[0]),
        ("heat", tmax_c > 31.0, stop[1]),
    ):
        cut = up & cause & (draw < 0.45)
        ended[cut] = reason
        hours[cut] = hours[cut] * (0.4 + draw[cut])
    minutes = np.rint(hours * 12) * 5 / 60
    opening = np.rint((sunrise + 0.1 + late) * 12) * 5 / 60
    capacity = np.array([station.plan.capacity for station in world.stations])
    return Sessions(traps, nets, opening, minutes, sunrise, ended, capacity)


def _session_days(plan: Plan, rng: np.random.Generator) -> IntArray:
    shift = rng.integers(-plan.jitter_days, plan.jitter_days + 1, 64)
    if plan.every_days == 0:
        days = np.array([plan.first_day + shift[0]])
    else:
        days = np.arange(plan.first_day, plan.last_day + 1, plan.every_days)
        days = days + np.resize(shift, days.size)
    return np.unique(np.clip(days - FIRST_DAY, 0, DAYS - 1))


def activity(since_sunrise: FloatArray) -> FloatArray:
    """Visits an hour relative to the morning's mean, by hours since sunrise."""
    busy: FloatArray = 0.75 + 0.75 * np.exp(-np.maximum(since_sunrise, 0.0) / 1.6)
    return busy


def catch_birds(world: World, sessions: Sessions, birds: BirdDays, day: int) -> Catch:
    """Catch some of the birds present on one day.

    A bird visits traps as often as it feeds there, the more so when hungry and bold, the less so
    after a capture; queues at the traps and a full bench bound the day's total. Nets meet birds
    in flight.

    Parameters
    ----------
    world : World
    sessions : Sessions
        A session that fills up is closed in it.
    birds : BirdDays
    day : int

    Returns
    -------
    Catch
    """
    site = birds.site
    if not (sessions.hours[site, day] > 0).any():
        return Catch.none()
    hours, traps = sessions.hours[:, day], sessions.traps[:, day]
    start = sessions.opening[:, day] - sessions.sunrise[:, day]
    profile = activity(start[:, None] + (np.arange(48) + 0.5) / 48 * hours[:, None])
    busy_hours = profile.mean(axis=1) * hours

    visits = birds.visits * (1 - (1 - SHY_FACTOR) * np.exp(-birds.since_caught / SHY_DAYS))
    if world.catchability == "constant":
        share = np.full(site.size, CONSTANT_SHARE)
        searching = np.ones(site.size)
    else:
        share = birds.trap_share * (1 + HUNGER * (1 - np.clip(birds.fuel, 0, 0.3) / 0.15))
        searching = 1 + NET_SLOPE * (0.6 - birds.richness)
    by_trap = VISIT_RATE * visits * share * (busy_hours * traps)[site]
    asked = np.bincount(site, by_trap, hours.size)
    room = HANDLING_PER_HOUR * hours * np.maximum(traps, 1)
    by_trap = by_trap / (1 + asked / np.maximum(room, 1e-9))[site]
    by_net = NET_RATE * visits * searching * (busy_hours * sessions.nets[:, day])[site]
    rate = by_trap + by_net

    first = np.flatnonzero(birds.luck < 1 - np.exp(-rate))
    again = 1 - np.exp(-AGAIN * rate) * (1 + AGAIN * rate)  # a second time the same day
    second = np.flatnonzero(birds.luck < again)
    moment = np.r_[birds.moment[first], np.minimum(birds.moment[second] + 0.35, 0.99)]
    index = np.r_[first, second]
    when = _times(profile, moment, site[index], sessions, day)
    kept = _kept(sessions, site[index], when, day)
    net_share = by_net / np.maximum(rate, 1e-12)
    return _describe(sessions, birds, day, index=index[kept], when=when[kept], by_net=net_share)


def _times(
    profile: FloatArray, part: FloatArray, site: IntArray, sessions: Sessions, day: int
) -> FloatArray:
    """Turn even draws into hours of the session, more of them where birds are busier."""
    done = np.cumsum(profile, axis=1) / profile.sum(axis=1, keepdims=True)
    slot = (done[site] < part[:, None]).sum(axis=1)
    hour = sessions.opening[site, day] + (slot + 0.5) / profile.shape[1] * sessions.hours[site, day]
    minutes: FloatArray = np.floor(hour * 60) / 60
    return minutes


def _kept(sessions: Sessions, site: IntArray, when: FloatArray, day: int) -> BoolArray:
    """Drop what comes after a station is full, and close the session there."""
    kept = np.ones(site.size, dtype=bool)
    for number in np.unique(site):
        order = np.flatnonzero(site == number)
        capacity = int(sessions.capacity[number])
        if order.size > capacity:
            order = order[np.argsort(when[order], kind="stable")]
            kept[order[capacity:]] = False
            last = when[order[capacity - 1]] + 5 / 60
            sessions.hours[number, day] = last - sessions.opening[number, day]
            sessions.ended[number, day] = "full"
    return kept


def _describe(
    sessions: Sessions,
    birds: BirdDays,
    day: int,
    *,
    index: IntArray,
    when: FloatArray,
    by_net: FloatArray,
) -> Catch:
    """State of each bird at its capture: fuel gained since dawn, crop, egg, device."""
    where, draw, share = birds.site[index], birds.device[index], by_net[index]
    device = (draw < share).astype(np.int64)
    even = np.where(device == 1, draw / np.maximum(share, 1e-9), draw)
    devices = np.where(device == 1, sessions.nets[where, day], sessions.traps[where, day])
    which = (np.floor(even * 997) % np.maximum(devices, 1)).astype(np.int64)
    since = np.maximum(when - sessions.sunrise[where, day], 0.0)
    daily = birds.change[index] + birds.spent[index]
    filling = np.floor(birds.moment[index] * 1009) % 10
    meal_g = np.select([filling < 5, filling < 8], [MEAL_G, MEAL_G / 2], 0.0)
    sip_g = np.select([filling < 1, filling < 3], [MEAL_G / 2, MEAL_G / 4], 0.0)
    return Catch(
        flock_index=birds.flock_index[index],
        site=where,
        day=np.full(index.size, day),
        hour=when,
        device=device,
        which=which,
        fuel=birds.fuel[index] + daily * since / birds.day_hours[index],
        dawn_fuel=birds.fuel[index],
        gain_per_day=birds.change[index] * birds.lean_g[index],
        crop_g=np.where(device == 0, meal_g, sip_g),
        egg_g=birds.egg_g[index],
        gravid=birds.gravid[index],
    )
