"""What only a simulation knows: who was there, how fuelled, and the true dates of the season."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

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
    from phenology.models.simulated_season_nectar import SimulatedBloom
    from phenology.models.simulated_season_weather import SimulatedWeather

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

REASONS = ("ready", "starved", "over")
SMOOTHED_DAYS = 7
FEWEST_BIRD_DAYS = 20


def tell_truth(
    world: World,
    weather: SimulatedWeather,
    bloom: SimulatedBloom,
    birds: Individuals,
    years: list[Year],
) -> dict[str, pd.DataFrame]:
    """Gather the truth of a simulated study in tables.

    Parameters
    ----------
    world : World
    weather : SimulatedWeather
    bloom : SimulatedBloom
    birds : Individuals
    years : list of Year

    Returns
    -------
    dict of str to pandas.DataFrame
        presence, stays, birds, numbers, timing, nectar, flowers, monsoon.
    """
    presence = _presence(world, years)
    stays = _stays(world, years)
    return {
        "presence": presence,
        "stays": stays,
        "birds": _birds(world, birds, years),
        "numbers": _numbers(world, years, stays),
        "timing": _timing(world, years),
        "nectar": _nectar(world, bloom, years),
        "flowers": _flowers(world, bloom),
        "monsoon": _monsoon(world, weather),
    }


def group_name(species: str, age: str = "", sex: str = "") -> str:
    """Group as the study writes it: "Genus species age sex"."""
    return " ".join(part for part in (species, age, sex) if part)


def _names(world: World) -> tuple[npt.NDArray[np.object_], ...]:
    sites = np.array([station.site for station in world.stations], dtype=object)
    species = np.array([kind.name for kind in world.species], dtype=object)
    return (
        sites,
        species,
        *(np.array(names, dtype=object) for names in (AGE_NAMES, SEX_NAMES, ROLE_NAMES)),
    )


def _presence(world: World, years: list[Year]) -> pd.DataFrame:
    """Birds present at dawn by site, season, day, group and role; days without a bird left out."""
    sites, species, ages, sexes, roles = _names(world)
    parts = []
    for year in years:
        present = year.lived.present
        site, kind, age, sex, role, day = np.nonzero(present)
        parts.append(
            pd.DataFrame(
                {
                    "site": sites[site],
                    "season": year.season,
                    "day": day + FIRST_DAY,
                    "species": species[kind],
                    "age": ages[age],
                    "sex": sexes[sex],
                    "role": roles[role],
                    "birds": present[site, kind, age, sex, role, day],
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _stays(world: World, years: list[Year]) -> pd.DataFrame:
    """One row a stay: entry, departure, fuel in and out, gain a day."""
    sites, species, ages, sexes, roles = _names(world)
    parts = []
    for year in years:
        flock, stays = year.flock, year.lived.stays
        who = stays.flock_index
        duration = stays.leave - stays.enter + 1
        gain = (stays.fuel_out - stays.fuel_in) * flock.lean_g[who] / duration
        parts.append(
            pd.DataFrame(
                {
                    "bird": flock.bird[who],
                    "season": year.season,
                    "site": sites[stays.site],
                    "species": species[flock.species[who]],
                    "age": ages[flock.age[who]],
                    "sex": sexes[flock.sex[who]],
                    "role": roles[flock.role[who]],
                    "entry_day": stays.enter + FIRST_DAY,
                    "exit_day": stays.leave + FIRST_DAY,
                    "stopover_days": duration,
                    "structural_lean_g": flock.lean_g[who],
                    "fuel_in": stays.fuel_in,
                    "fuel_out": stays.fuel_out,
                    "fuel_deposition_g_per_day": gain,
                    "reason": np.array(REASONS, dtype=object)[stays.reason],
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _birds(world: World, birds: Individuals, years: list[Year]) -> pd.DataFrame:
    """One row a bird and season in which it settled at a station."""
    _, species, ages, sexes, roles = _names(world)
    parts = []
    for year in years:
        flock = year.flock
        here = np.flatnonzero(year.lived.was_here)
        who = flock.bird[here]
        parts.append(
            pd.DataFrame(
                {
                    "bird": who,
                    "season": year.season,
                    "species": species[flock.species[here]],
                    "age": ages[flock.age[here]],
                    "sex": sexes[flock.sex[here]],
                    "role": roles[flock.role[here]],
                    "size": birds.size[who],
                    "wing_mm": birds.wing_mm[who],
                    "structural_lean_g": flock.lean_g[here],
                    "departure_threshold": flock.threshold[here],
                    "boldness": flock.boldness[here],
                    "returned": flock.returned[here],
                    "breeding_over_day": flock.done[here] + FIRST_DAY,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _numbers(world: World, years: list[Year], stays: pd.DataFrame) -> pd.DataFrame:
    """True numbers and mean fuel by site, season, group and role, within the season studied."""
    sites, species, ages, sexes, roles = _names(world)
    window = slice(world.season_from - FIRST_DAY, world.season_until - FIRST_DAY + 1)
    parts = []
    for year in years:
        bird_days = year.lived.present[..., window].sum(axis=-1)
        site, kind, age, sex, role = np.nonzero(bird_days)
        parts.append(
            pd.DataFrame(
                {
                    "site": sites[site],
                    "season": year.season,
                    "species": species[kind],
                    "age": ages[age],
                    "sex": sexes[sex],
                    "role": roles[role],
                    "bird_days": bird_days[site, kind, age, sex, role],
                }
            )
        )
    key = ["site", "season", "species", "age", "sex", "role"]
    grouped = stays.groupby(key, observed=True)
    means = grouped.agg(
        birds=("bird", "nunique"),
        stopover_days=("stopover_days", "mean"),
        fuel_in=("fuel_in", "mean"),
        fuel_out=("fuel_out", "mean"),
        fuel_deposition_g_per_day=("fuel_deposition_g_per_day", "mean"),
    )
    return pd.concat(parts, ignore_index=True).merge(means.reset_index(), on=key, how="left")


def _timing(world: World, years: list[Year]) -> pd.DataFrame:
    """True arrival, peak and departure by site, season, group and role.

    For passage birds and for a role's total the days by which 5 % and 95 % of bird-days have
    passed; for locals the days of half rise and half fall. No arrival is given for locals already
    at half their number when the season opens, no departure where they are still at half when it
    closes.
    """
    rows = []
    for year in years:
        present = year.lived.present
        for number, kind in enumerate(world.species):
            curves = [
                (
                    group_name(kind.name, AGE_NAMES[age], SEX_NAMES[sex]),
                    present[:, number, age, sex],
                )
                for age in (0, 1)
                for sex in (0, 1)
            ]
            curves.append((kind.name, present[:, number].sum(axis=(1, 2))))
            for group, by_role in curves:
                for site, station in enumerate(world.stations):
                    for role, role_name in enumerate(ROLE_NAMES):
                        rows.append(
                            {
                                "site": station.site,
                                "season": year.season,
                                "group": group,
                                "role": role_name,
                                **season_dates(by_role[site, role], world, local=role == 0),
                            }
                        )
                    if kind.role == "mixed":
                        total = season_dates(by_role[site].sum(axis=0), world, local=False)
                        rows.append(
                            {
                                "site": station.site,
                                "season": year.season,
                                "group": group,
                                "role": "",
                                **total,
                            }
                        )
    table = pd.DataFrame(rows)
    return table[table["bird_days"] >= FEWEST_BIRD_DAYS].reset_index(drop=True)


def season_dates(present: IntArray, world: World, *, local: bool) -> dict[str, float]:
    """Arrival, peak and departure of one curve of birds present.

    Parameters
    ----------
    present : array (days,)
        Birds by day from `FIRST_DAY`.
    world : World
        Gives the season studied.
    local : bool
        By half rise and half fall of the smoothed curve instead of shares of bird-days.

    Returns
    -------
    dict
        bird_days, arrival_day, peak_day, departure_day [day of year; missing where undefined].
        The peak is that of the curve smoothed over seven days, in the middle of ties.

    Examples
    --------
    >>> from phenology.models.simulated_season_world import DAYS, make_world
    >>> birds = np.zeros(DAYS, dtype=int)
    >>> birds[100:111] = 4
    >>> dates = season_dates(birds, make_world(1, 1), local=False)
    >>> dates["arrival_day"], dates["peak_day"], dates["departure_day"]
    (191.0, 196.0, 201.0)
    """
    first, last = world.season_from - FIRST_DAY, world.season_until - FIRST_DAY
    days = np.arange(first, last + 1)
    within = present[first : last + 1].astype(float)
    total = float(within.sum())
    if total == 0:
        return {"bird_days": 0.0} | dict.fromkeys(
            ("arrival_day", "peak_day", "departure_day"), np.nan
        )
    smooth = np.convolve(present, np.full(SMOOTHED_DAYS, 1 / SMOOTHED_DAYS), mode="same")
    smooth = smooth[first : last + 1]
    highest = np.flatnonzero(smooth >= smooth.max() - 1e-9)
    peak = float(np.floor(days[highest].mean()))
    if local:
        half = days[smooth >= smooth.max() / 2]
        arrival = float(half[0]) if half[0] > first else np.nan
        departure = float(half[-1]) if half[-1] < last else np.nan
    else:
        passed = np.cumsum(within) / total
        arrival = float(days[np.searchsorted(passed, 0.05)])
        departure = float(days[np.searchsorted(passed, 0.95)])
    return {
        "bird_days": total,
        "arrival_day": arrival + FIRST_DAY,
        "peak_day": peak + FIRST_DAY,
        "departure_day": departure + FIRST_DAY,
    }


def _nectar(world: World, bloom: SimulatedBloom, years: list[Year]) -> pd.DataFrame:
    """Nectar made and standing, and feeder ports, by site and day."""
    sites = _names(world)[0]
    shape = bloom.nectar_kj_per_ha.shape
    season, site, day = (index.ravel() for index in np.indices(shape))
    return pd.DataFrame(
        {
            "site": sites[site],
            "season": np.array(world.seasons)[season],
            "day": day + FIRST_DAY,
            "nectar_kj_per_ha": bloom.nectar_kj_per_ha.ravel(),
            "standing_kj_per_ha": np.stack(
                [year.lived.standing_kj_per_ha for year in years]
            ).ravel(),
            "feeder_ports": np.stack([year.around.ports for year in years]).ravel(),
        }
    )


def _flowers(world: World, bloom: SimulatedBloom) -> pd.DataFrame:
    """Open flowers a hectare by site, plant and day."""
    sites = _names(world)[0]
    plants = np.array([plant.name for plant in world.plants], dtype=object)
    season, site, plant, day = (index.ravel() for index in np.indices(bloom.flowers_per_ha.shape))
    return pd.DataFrame(
        {
            "site": sites[site],
            "season": np.array(world.seasons)[season],
            "plant": plants[plant],
            "day": day + FIRST_DAY,
            "flowers_per_ha": bloom.flowers_per_ha.ravel(),
        }
    )


def _monsoon(world: World, weather: SimulatedWeather) -> pd.DataFrame:
    """True onset, withdrawal and relative strength by season."""
    rain = []
    for season in world.seasons:
        start = weather.from_january(season)
        rain.append(weather.rain_mm[:, start + 165 : start + 273].sum(axis=1).mean())
    return pd.DataFrame(
        {
            "season": world.seasons,
            "onset_day": weather.onset_day,
            "withdrawal_day": weather.withdrawal_day,
            "strength": weather.strength,
            "false_start": weather.false_start,
            "season_rain_mm": rain,
        }
    )
