"""Drivers of support and the change of each that its effect is quoted for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Contrast:
    """The change of a driver that its effect is quoted for.

    Attributes
    ----------
    unit : str
        In words.
    change : float
        In the driver's own unit.
    switches : bool
        Whether the driver is yes (1) or no (0).
    by_season : bool
        Whether all birds of a site and season share its value.
    of_feeders : bool
        Whether it describes the feeders that hang, and means nothing while none does.
    by_site : bool
        Whether it belongs to the site: sites can be compared, a site with itself cannot.
    """

    unit: str
    change: float
    switches: bool = False
    by_season: bool = False
    of_feeders: bool = False
    by_site: bool = False


HALVING = -float(np.log(2.0))
# In the order in which they get a wide prior, while the sampled years allow.
CONTRASTS: dict[str, Contrast] = {
    "bloom": Contrast("per halving of bloom", HALVING),
    "feeders": Contrast("feeders up against none", 1.0, switches=True),
    "monsoon_onset": Contrast("per 7 days later onset", 7.0, by_season=True),
    "monsoon_strength": Contrast("per standard deviation more rain", 1.0, by_season=True),
    "feeders_x_bloom": Contrast("effect of feeders, per halving of bloom", HALVING),
    "events": Contrast("after the event against before", 1.0, switches=True),
    "neighbour_feeders": Contrast("a neighbour's feeders against our own", 1.0, of_feeders=True),
    "feeder_ports": Contrast("per doubling of feeding ports", 1.0, of_feeders=True),
    "feeder_distance": Contrast("per doubling of the distance to feeders", 1.0, of_feeders=True),
    "habitat": Contrast("per tenth more of the habitat", 0.1, by_site=True),
    "burned": Contrast("per tenth more burned ground", 0.1, by_site=True),
    "water_distance": Contrast("per doubling of the distance to water", 1.0, by_site=True),
}
