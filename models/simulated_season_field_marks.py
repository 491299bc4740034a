"""What a bander reads off a simulated bird, with a bander's errors."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenology.models.simulated_season_birds import FEMALE, LOCAL, MALE, YOUNG, YOUNG_WING

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Words = npt.NDArray[np.object_]

FAT_BOUNDS = (0.03, 0.10, 0.19, 0.30, 0.42)  # fuel at which the next class of 0-5 begins
FAT_NOISE = 0.025
FAT_MISREAD = 0.08
WING_ERROR_MM = 0.40
MASS_ERROR_G = 0.015
FED_G = 0.15
BANDERS = ("AA", "BB", "CC", "DD")
WING_BIAS_MM = (0.0, 0.12, -0.10, 0.05)
BLANK = ""


@dataclass(frozen=True)
class InHand:
    """Birds in the hand, one entry a capture, as they truly are."""

    species: IntArray
    sex: IntArray
    age: IntArray
    role: IntArray
    breeding: BoolArray
    day: IntArray
    wing_mm: FloatArray
    bill_mm: FloatArray
    lean_g: FloatArray
    fuel: FloatArray
    crop_g: FloatArray
    egg_g: FloatArray
    gravid: BoolArray
    richness: FloatArray
    mass_step_g: FloatArray
    repeat: BoolArray
    wing_wear: FloatArray


def read_marks(
    birds: InHand, moulting: npt.NDArray[np.str_], rng: np.random.Generator
) -> dict[str, Words]:
    """Measure, weigh and look at every bird, by one bander each.

    Parameters
    ----------
    birds : InHand
    moulting : array of str
        Names of the species by capture; the width of the outer tail feather is taken only in the
        genus where it tells birds apart.
    rng : numpy.random.Generator

    Returns
    -------
    dict of str to array
        Columns of the sheet of captures, numbers as numbers and blanks as "".
    """
    count = birds.day.size
    bander = rng.choice(len(BANDERS), count, p=[0.4, 0.3, 0.2, 0.1])
    fed = rng.random(count) < 0.08
    wing = np.where(birds.age == YOUNG, YOUNG_WING, 1.0) * birds.wing_mm
    wing = wing + np.array(WING_BIAS_MM)[bander] + rng.normal(0, WING_ERROR_MM, count)
    wing = np.where(bander == 2, np.rint(wing * 2) / 2, np.rint(wing * 10) / 10)
    no_wing = rng.random(count) < np.where(birds.repeat, 0.35, 0.03)
    mass = birds.lean_g * (1 + birds.fuel) + birds.crop_g + birds.egg_g + FED_G * fed
    mass = mass + rng.normal(0, MASS_ERROR_G, count)
    mass = np.rint(mass / birds.mass_step_g) * birds.mass_step_g
    no_mass = rng.random(count) < 0.02
    columns = {
        "wing_mm": _blank_where(wing, no_wing),
        "tail_mm": _blank_where(
            np.rint((0.60 * birds.wing_mm + rng.normal(0, 0.6, count)) * 2) / 2,
            rng.random(count) < np.where(birds.repeat, 0.9, 0.5),
        ),
        "bill_mm": _blank_where(
            np.rint((birds.bill_mm + rng.normal(0, 0.2, count)) * 10) / 10,
            rng.random(count) < np.where(birds.repeat, 0.8, 0.1),
        ),
        "r5_width_mm": _tail_feather(birds, moulting, rng),
        "mass_g": _blank_where(mass, no_mass),
        "fed_before_weighing": _yes_no(fed, rng.random(count) < 0.03),
        "crop": _read_crop(birds.crop_g, rng),
        "fat": _read_fat(birds.fuel, rng),
        "bander": np.array(BANDERS, dtype=object)[bander],
    }
    return columns | _signs(birds, rng)


def _blank_where(values: FloatArray, missing: BoolArray) -> Words:
    written = np.round(values, 4).astype(object)
    written[missing] = BLANK
    return written


def _yes_no(truth: BoolArray, missing: BoolArray) -> Words:
    written = np.where(truth, "yes", "no").astype(object)
    written[missing] = BLANK
    return written


def _read_fat(fuel: FloatArray, rng: np.random.Generator) -> Words:
    """Class of furcular fat: fuel against bounds, blurred, and now and then a class out."""
    blurred = fuel + rng.normal(0, FAT_NOISE, fuel.size)
    level = np.searchsorted(FAT_BOUNDS, blurred)
    slip = rng.random(fuel.size)
    level = level + (slip < FAT_MISREAD / 2) - (slip > 1 - FAT_MISREAD / 2)
    written = np.clip(level, 0, len(FAT_BOUNDS)).astype(object)
    written[rng.random(fuel.size) < 0.015] = BLANK
    return written


def _read_crop(crop_g: FloatArray, rng: np.random.Generator) -> Words:
    seen = crop_g + rng.normal(0, 0.03, crop_g.size)
    written = np.select([seen > 0.15, seen > 0.05], ["full", "part"], "empty").astype(object)
    written[rng.random(crop_g.size) < 0.20] = "unknown"
    written[rng.random(crop_g.size) < 0.05] = BLANK
    return written


def _tail_feather(birds: InHand, names: npt.NDArray[np.str_], rng: np.random.Generator) -> Words:
    width = np.where(birds.sex == MALE, 2.4, 3.3) + 0.25 * (birds.age == YOUNG)
    width = np.round(width + rng.normal(0, 0.18, width.size), 1)
    skipped = ~np.char.startswith(names.astype(str), "Selasphorus")
    return _blank_where(width, skipped | (rng.random(width.size) < 0.5) | birds.repeat)


def _signs(birds: InHand, rng: np.random.Generator) -> dict[str, Words]:
    """Moult, breeding, pollen, gorget, bill and feather edges."""
    count = birds.day.size
    local, young = birds.role == LOCAL, birds.age == YOUNG
    after = local & ~birds.breeding & ~young
    moult = np.where(after, 0.55, np.where(young, 0.35, 0.12))
    draw = rng.random(count)
    body = np.select([draw < 0.35 * moult, draw < moult], ["heavy", "light"], "none")
    flight = np.where(after & (rng.random(count) < 0.08), "one feather", "none")
    adult_female = ~young & (birds.sex == FEMALE)
    felt = birds.gravid & (rng.random(count) < 0.93)
    nesting = adult_female & local & birds.breeding & (rng.random(count) < 0.4)
    gorget = rng.poisson(np.where(birds.sex == MALE, 7.0, 0.6), count).astype(object)
    gorget[(birds.sex == MALE) & ~young] = BLANK
    worn = np.clip(1.0 - birds.wing_wear + rng.normal(0, 0.12, count), 0, 1)
    grooves = np.select(
        [~young & (rng.random(count) < 0.95), worn > 0.7, worn > 0.35, worn > 0.12],
        ["none", "most", "half", "third"],
        "trace",
    )
    edging = np.where(young & (rng.random(count) < 0.85 - 0.4 * birds.wing_wear), "yes", "no")
    pollen = rng.random(count) < 0.08 + 0.5 * birds.richness
    parasites = rng.random(count) < 0.03
    return {
        "body_moult": body.astype(object),
        "flight_moult": flight.astype(object),
        "breeding": np.where(adult_female, np.where(nesting, "yes", "no"), BLANK).astype(object),
        "gravid": np.where(adult_female, np.where(felt, "yes", "no"), BLANK).astype(object),
        "pollen": np.where(pollen, "yes", "no").astype(object),
        "gorget_feathers": gorget,
        "bill_corrugation": grooves.astype(object),
        "buffy_edging": edging.astype(object),
        "parasites": np.where(parasites, "mites", BLANK).astype(object),
    }


def read_classes(birds: InHand, rng: np.random.Generator) -> dict[str, Words]:
    """Age and sex as the bander calls them, some of them unknown.

    Parameters
    ----------
    birds : InHand
    rng : numpy.random.Generator

    Returns
    -------
    dict of str to array
        age, how_aged, sex, how_sexed.
    """
    count = birds.day.size
    young = birds.age == YOUNG
    age = np.where(young, "young", "adult").astype(object)
    age[rng.random(count) < 0.015] = "unknown"
    sex = np.where(birds.sex == MALE, "male", "female").astype(object)
    sex[rng.random(count) < np.where(young, 0.10, 0.004)] = "unknown"
    how_aged = np.where(young, "bill", np.where(birds.sex == MALE, "plumage", "bill"))
    how_sexed = np.where(birds.sex == MALE, "gorget", "tail")
    return {
        "age": age,
        "how_aged": np.where(age == "unknown", BLANK, how_aged).astype(object),
        "sex": sex,
        "how_sexed": np.where(sex == "unknown", BLANK, how_sexed).astype(object),
    }
