"""How outcomes and drivers of support are said: plain names, units, what is little."""

from __future__ import annotations

from dataclasses import dataclass

from phenology.report.words import plain


@dataclass(frozen=True)
class Measure:
    """How an outcome is said: its name, its unit, what one unit of the table is in it."""

    name: str
    unit: str
    times: float
    little: float  # a change smaller than this, in the table's unit, matters little


MEASURES = {
    "fuel_load": Measure("fuel at first capture", "% of lean mass", 100, 0.02),
    "lean_condition": Measure("mass for size", "%", 100, 0.01),
    "fuel_deposition_g_per_day": Measure("daily gain", "g a day", 1, 0.01),
    "share_ready": Measure("share ready for the next stop", "in 100 birds", 100, 0.03),
    "young_per_adult": Measure("share of young", "in 100 birds", 100, 0.03),
    "pollen_share": Measure("share with pollen", "in 100 birds", 100, 0.03),
    "return_rate": Measure("share caught again in a later season", "in 100 birds", 100, 0.03),
    "fuel_after_breeding": Measure("fuel once breeding is over", "% of lean mass", 100, 0.02),
    "moult_share": Measure("share in moult", "in 100 birds", 100, 0.03),
    "breeding_share": Measure("share in breeding condition", "in 100 birds", 100, 0.03),
    "survival": Measure("yearly survival", "in 100 birds", 100, 0.03),
    "stopover_days": Measure("length of stay", "days", 1, 0.5),
}
# Outcomes without a sign, for which more is neither good nor bad, and why.
DESCRIPTIONS = {
    "fuel_load": "Fuel at first capture is what the birds brought",
    "stopover_days": "Birds stay long where they gain slowly too",
    "moult_share": "Moult tells how far the season has come",
    "breeding_share": "Breeding condition tells how far the season has come",
}
_CHANGES = {
    "bloom": "half the flowers",
    "feeders": "feeders up, against none",
    "monsoon_onset": "a monsoon 7 days later",
    "monsoon_strength": "a monsoon as wet as one year in six",
    "feeders_x_bloom": "what feeders add each time flowers halve",
    "events": "the year after a fire or flood",
    "neighbour_feeders": "a neighbour's feeders, against our own",
    "feeder_ports": "twice the feeding ports",
    "feeder_distance": "feeders twice as far",
    "habitat": "a tenth more of the ground under the habitat",
    "burned": "a tenth more of the ground burned",
    "water_distance": "water twice as far",
}
PLAIN_DRIVERS = {
    "bloom": "flowers",
    "feeders": "feeders",
    "monsoon_onset": "the onset of the monsoon",
    "monsoon_strength": "the strength of the monsoon",
    "feeders_x_bloom": "feeders that matter more when flowers fail",
    "events": "fires and floods",
    "neighbour_feeders": "who keeps the feeders",
    "feeder_ports": "the number of feeding ports",
    "feeder_distance": "the distance of the feeders",
    "habitat": "the habitat",
    "burned": "burned ground",
    "water_distance": "the distance to water",
}


def measure_of(quantity: object) -> Measure:
    """How a quantity is said; one that has no words of its own by its name."""
    name = str(quantity)
    return MEASURES.get(name, Measure(name.replace("_", " "), "", 1.0, 0.0))


def change_words(driver: object) -> str:
    """The change of a driver that its effect is quoted for."""
    return _CHANGES.get(str(driver), plain(str(driver).replace("_", " "), 60))
