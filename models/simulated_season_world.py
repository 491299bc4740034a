"""The world of a simulated season: its stations, birds, plants and the options of a test.

Every number here is invented or a round value of common practice; sizes of the species are from
memory and serve the simulation alone. Where a published value drives the energy budget it stands,
with its source, in `simulated_season_days`.
"""

from dataclasses import dataclass
from typing import Literal

FIRST_DAY = 91  # 1 April of a common year: every local bird that came earlier is here
LAST_DAY = 300  # 27 October: the last bird has gone
DAYS = LAST_DAY - FIRST_DAY + 1

AGE_NAMES = ("adult", "young")
SEX_NAMES = ("male", "female")
ROLE_NAMES = ("local", "passage")


@dataclass(frozen=True)
class Plan:
    """When and how a station works.

    Parameters
    ----------
    first_day, last_day : int
        Days of the year between which it works [day of year].
    every_days : int
        Days from one session to the next; 0 for a single day a year, near `first_day`.
    jitter_days : int
        A session falls up to so many days beside its plan [days].
    traps, nets : int
        Baited traps at each session; unbaited nets.
    net_every : int
        Nets are up at every so-manieth session.
    hours, hours_sd : float
        Length of a session and its spread [h].
    capacity : int
        Birds a session at which the traps are closed because full.
    count_every, survey_every : int
        Days between counts made without bait and between bloom surveys; 0 for none.
    """

    first_day: int = 182
    last_day: int = 270
    every_days: int = 7
    jitter_days: int = 0
    traps: int = 2
    nets: int = 0
    net_every: int = 2
    hours: float = 4.5
    hours_sd: float = 0.5
    capacity: int = 45
    count_every: int = 0
    survey_every: int = 14


@dataclass(frozen=True)
class Station:
    """A site: where it lies, how good it is, how it is worked, what was lost.

    `quality` multiplies its flowers and its local pairs; `lost` lists (season, kind of event, note)
    of seasons without work; `mass_step_g` is the step of its balance.
    """

    site: str
    name: str
    latitude: float
    longitude: float
    elevation_m: float
    plan: Plan = Plan()
    quality: float = 1.0
    area_ha: float = 6.0
    passage_km: float = 1500.0
    mass_step_g: float = 0.01
    sensitive: bool = False
    lost: tuple[tuple[int, str, str], ...] = ()

    @property
    def utc_offset_h(self) -> int:
        """Hours by which its clocks run ahead of UTC: a fixed offset, which names no place."""
        return round(self.longitude / 15)


@dataclass(frozen=True)
class Species:
    """A species: sizes by sex (male, female), numbers at a station of quality 1.

    `passage_birds` fly over in a season by class (adult males, adult females, young);
    `pairs` breed; `leave_day` is when the first adult males leave their breeding grounds.
    """

    name: str
    lean_mass_g: tuple[float, float]
    wing_mm: tuple[float, float]
    bill_mm: tuple[float, float]
    pairs: int = 0
    passage_birds: tuple[int, int, int] = (0, 0, 0)
    leave_day: float = 164.0
    spring_day: float = 100.0

    @property
    def role(self) -> str:
        """Role at these sites: local, passage or mixed."""
        if self.pairs and sum(self.passage_birds):
            return "mixed"
        return "local" if self.pairs else "passage"


@dataclass(frozen=True)
class Plant:
    """A nectar plant: what sets its buds, how much warmth opens them, what a flower offers.

    `driver` is winter (buds set by the moisture of October to March), warmth, or rain (growth
    waits until summer rain has wetted the ground). `warmth_c_days` above 5 °C open half the
    buds, `warmth_spread` is the spread between buds.
    """

    name: str
    driver: Literal["winter", "warmth", "rain"]
    warmth_c_days: float
    warmth_spread: float
    buds_per_ha: float
    nectar_mg: float
    life_days: float = 5.0


SPECIES = (
    Species("Selasphorus platycercus", (3.05, 3.40), (48.6, 49.8), (17.0, 18.0), pairs=22),
    Species(
        "Archilochus alexandri",
        (2.80, 3.15),
        (42.4, 45.6),
        (18.2, 20.0),
        pairs=16,
        spring_day=118.0,
    ),
    Species(
        "Selasphorus rufus",
        (2.88, 3.10),
        (40.4, 44.0),
        (16.0, 17.2),
        passage_birds=(190, 190, 320),
    ),
    Species(
        "Selasphorus calliope",
        (2.32, 2.55),
        (39.0, 42.2),
        (14.2, 15.0),
        passage_birds=(80, 80, 130),
        leave_day=168.0,
    ),
    Species(
        "Calypte anna",
        (3.75, 3.60),
        (49.6, 48.2),
        (17.6, 17.9),
        pairs=6,
        passage_birds=(45, 45, 80),
        leave_day=158.0,
    ),
)

PLANTS = (
    Plant("Fictiflora vernalis", "winter", 480.0, 180.0, 80_000.0, 1.6),
    Plant("Fictiflora alta", "winter", 820.0, 230.0, 80_000.0, 1.4, life_days=6.0),
    Plant("Exemplia rubra", "warmth", 1150.0, 280.0, 70_000.0, 1.5),
    Plant("Imaginaria pendula", "rain", 300.0, 140.0, 65_000.0, 1.8),
    Plant("Imaginaria serotina", "rain", 720.0, 240.0, 70_000.0, 1.5, life_days=6.0),
    Plant("Simulacra tubulosa", "rain", 560.0, 280.0, 36_000.0, 2.6, life_days=4.0),
)


@dataclass(frozen=True)
class World:
    """Everything a simulated study is made of, but its seed.

    Parameters
    ----------
    stations : tuple of Station
    seasons : tuple of int
        Years, without gaps.
    species, plants : tuple
    numbers : {"following_bloom", "constant"}
        Whether birds settle, breed and leave by the nectar they find, or in the same numbers and
        for stays that nectar does not change.
    catchability : {"following_bloom", "constant"}
        Whether birds turn to baited traps when flowers are poor.
    feeders : {"by_chance", "by_quality", "by_need", "never_varying", "none"}
        Who hangs feeders: chance, the better sites, those whose bloom is poor, everybody always,
        nobody.
    equal_fuel : bool
        Every bird keeps a fuel load of its own, drawn alike for locals and passage birds.
    monsoon_effect : bool
        Whether summer rain moves the flowers.
    flower_scale : float
        Multiplies every flower, leaving chance alone: the way to ask what half the bloom would do.
    failed : tuple of int
        Seasons whose flowers fail: a tenth of them open.
    feeder_ports : float
        Ports of the feeders where they hang.
    season_from, season_until : int
        The part of the year under study, for the truth of dates [day of year].
    """

    stations: tuple[Station, ...]
    seasons: tuple[int, ...]
    species: tuple[Species, ...] = SPECIES
    plants: tuple[Plant, ...] = PLANTS
    numbers: Literal["following_bloom", "constant"] = "following_bloom"
    catchability: Literal["following_bloom", "constant"] = "following_bloom"
    feeders: Literal["by_chance", "by_quality", "by_need", "never_varying", "none"] = "by_chance"
    equal_fuel: bool = False
    monsoon_effect: bool = True
    flower_scale: float = 1.0
    failed: tuple[int, ...] = ()
    feeder_ports: float = 16.0
    season_from: int = 121
    season_until: int = 283

    def __post_init__(self) -> None:
        if not self.stations or not self.seasons:
            raise ValueError("a world needs a station and a season")
        if tuple(range(self.seasons[0], self.seasons[-1] + 1)) != self.seasons:
            raise ValueError(f"seasons must follow one another without gaps, not {self.seasons}")
        if len({station.site for station in self.stations}) < len(self.stations):
            raise ValueError("two stations have one name")


def make_world(
    sites: int = 4,
    seasons: int = 12,
    *,
    first_season: int = 2031,
    plan: Plan | None = None,
    **options: object,
) -> World:
    """Lay out a plain world of like stations, for tests and calibration.

    Stations differ in elevation and quality; all work by one plan.

    Parameters
    ----------
    sites, seasons : int
        How many.
    first_season : int
        Year of the first season.
    plan : Plan, optional
        How every station works; by default every third day from 19 June to 27 September, with
        unbaited nets at every second session.
    **options
        Options of `World`.

    Returns
    -------
    World

    Examples
    --------
    >>> make_world(2, 3, feeders="none").seasons
    (2031, 2032, 2033)
    """
    if plan is None:
        plan = Plan(first_day=170, last_day=270, every_days=3, nets=2)
    stations = tuple(
        Station(
            site=f"site{number + 1}",
            name=f"Invented station {number + 1}",
            latitude=29.0 + 0.35 * number,
            longitude=-108.0 - 0.12 * (number % 3),
            elevation_m=1700.0 + 150.0 * (number % 5),
            plan=plan,
            quality=0.75 + 0.5 * ((number * 3) % 7) / 6,
            passage_km=1560.0 - 40.0 * number,
        )
        for number in range(sites)
    )
    years = tuple(range(first_season, first_season + seasons))
    return World(stations, years, **options)  # type: ignore[arg-type]
