"""Birds of a simulated study: who they are, the flock of a season, and who of it comes again."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from phenology.models.simulated_season_world import World

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

LOCAL, PASSAGE = 0, 1
ADULT, YOUNG = 0, 1
MALE, FEMALE = 0, 1
NEVER = 10_000

SIZE_SPREAD = 0.021  # spread of log wing length within species and sex
MASS_ON_WING = 1.4  # exponent of lean mass on wing length
LEAN_SPREAD = 0.028  # spread of log lean mass at a given size
YOUNG_WING = 0.985
ADULT_SURVIVAL = 0.48
ROUTE_FIDELITY = 0.30
NATAL_RETURN = 0.07
NEST_DAYS = 16 + 22  # eggs, then nestlings
GRAVID_DAYS = 4
EGG_G = 0.42


@dataclass
class Individuals:
    """Everything about a bird that does not change with the season, one entry a bird.

    `structural_lean_g` is an adult's; `pace` is its own distance to its class's date [days];
    `boldness` multiplies its visits to traps; `home` is the site where it settled, -1 before.
    """

    species: IntArray
    sex: IntArray
    role: IntArray
    hatched: IntArray
    size: FloatArray
    structural_lean_g: FloatArray
    wing_mm: FloatArray
    bill_mm: FloatArray
    boldness: FloatArray
    pace: FloatArray
    home: IntArray
    foreign: BoolArray

    @classmethod
    def empty(cls) -> Individuals:
        """No bird yet."""
        whole, real, truth = np.empty(0, dtype=np.int64), np.empty(0), np.empty(0, dtype=bool)
        kinds = {"IntArray": whole, "FloatArray": real, "BoolArray": truth}
        return cls(**{column.name: kinds[str(column.type)] for column in fields(cls)})

    @property
    def count(self) -> int:
        """Birds so far."""
        return int(self.species.size)

    def extend(
        self,
        world: World,
        rng: np.random.Generator,
        *,
        species: IntArray,
        sex: IntArray,
        role: IntArray,
        hatched: IntArray,
        home: IntArray,
    ) -> IntArray:
        """Add birds with sizes and habits of their own; return their numbers."""
        count = species.size
        size = rng.normal(0, 1, count)
        wing = np.array([kind.wing_mm for kind in world.species])[species, sex]
        bill = np.array([kind.bill_mm for kind in world.species])[species, sex]
        lean = np.array([kind.lean_mass_g for kind in world.species])[species, sex]
        scale = SIZE_SPREAD * size
        drawn = {
            "species": species,
            "sex": sex,
            "role": role,
            "hatched": hatched,
            "size": size,
            "structural_lean_g": lean
            * np.exp(MASS_ON_WING * scale + rng.normal(0, LEAN_SPREAD, count)),
            "wing_mm": wing * np.exp(scale),
            "bill_mm": bill * np.exp(0.6 * scale + rng.normal(0, 0.02, count)),
            "boldness": rng.gamma(4.0, 0.25, count),
            "pace": rng.normal(0, 1, count),
            "home": home,
            "foreign": rng.random(count) < np.where(role == PASSAGE, 0.006, 0.002),
        }
        first = self.count
        for name, values in drawn.items():
            setattr(self, name, np.concatenate([getattr(self, name), values]))
        return np.arange(first, first + count)


@dataclass
class Flock:
    """The birds of one season, one entry a bird, before the season is lived.

    Days count from `FIRST_DAY`. `done` is the day on which breeding or growing up is over;
    `latest` the day on which a bird leaves whatever its fuel; `eggs` the first days of its
    clutches; `mother` and `fledged_by` tie a young local to the nest it comes from.
    """

    bird: IntArray
    species: IntArray
    sex: IntArray
    age: IntArray
    role: IntArray
    site: IntArray
    enter: IntArray
    done: IntArray
    latest: IntArray
    planned: IntArray
    lean_g: FloatArray
    fuel: FloatArray
    threshold: FloatArray
    gain_limit: FloatArray
    boldness: FloatArray
    standing: FloatArray
    eggs: IntArray
    returned: BoolArray
    settle: FloatArray

    @property
    def count(self) -> int:
        """Birds of the season."""
        return int(self.bird.size)


@dataclass(frozen=True)
class Returning:
    """Birds of a former season that would come again: their numbers, roles and sites."""

    bird: IntArray
    role: IntArray
    site: IntArray

    @classmethod
    def none(cls) -> Returning:
        """Before the first season."""
        whole = np.empty(0, dtype=np.int64)
        return cls(whole, whole, whole)

    def of(self, birds: Individuals, species: int, *, sex: int, role: int, site: int) -> IntArray:
        """Those of one species, sex, role and site."""
        match = (self.role == role) & (self.site == site)
        match &= (birds.species[self.bird] == species) & (birds.sex[self.bird] == sex)
        found: IntArray = self.bird[match]
        return found


def choose_returning(
    flock: Flock, birds: Individuals, was_here: BoolArray, rng: np.random.Generator
) -> Returning:
    """Choose which birds of a season live and come to the same site in the next.

    Locals that live come home; passage birds that live keep their route with a chance.

    Parameters
    ----------
    flock : Flock
    birds : Individuals
        `home` is set for those chosen.
    was_here : array (birds of the season,)
        Whether the bird settled.
    rng : numpy.random.Generator

    Returns
    -------
    Returning
    """
    draw = rng.random(flock.count)
    local_chance = np.where(flock.age == YOUNG, NATAL_RETURN, ADULT_SURVIVAL)
    chance = np.where(flock.role == LOCAL, local_chance, ADULT_SURVIVAL * ROUTE_FIDELITY)
    back = was_here & (draw < chance)
    birds.home[flock.bird[back]] = flock.site[back]
    return Returning(flock.bird[back], flock.role[back], flock.site[back])
