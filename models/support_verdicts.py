"""What the data cannot tell of a driver, in words, before anything is fitted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from phenology.models.mixed_arrowhead import Array, Integers
from phenology.models.support_contrasts import CONTRASTS
from phenology.quantities import BETWEEN, WITHIN

if TYPE_CHECKING:
    from phenology.models.support_design import RoleDesign

LEAST_BIRDS = 5  # on either side of a yes-or-no contrast, at a site that switches
ENOUGH_SITES = 3  # that switch
LEAST_SITES = 4  # for a contrast between sites, and for each whose prior is wide
LEAST_SEASONS = 3  # for a driver that all birds of a season share
LEAST_SPREAD = 0.15  # standard deviation of a driver over the change it is quoted for


def judge(design: RoleDesign, weight: Array, site: Integers) -> None:
    """Write refusals and notes into a design."""
    for name, value in design.values.items():
        reason = _within_reason(name, design, weight, site)
        if reason:
            design.refused[name, WITHIN] = reason
        present = np.bincount(site, weight * _concerned(name, design)) >= LEAST_BIRDS
        reason = _between_reason(name, design, present)
        shrunk = design.notes.pop((name, BETWEEN), "")
        if reason:
            design.refused[name, BETWEEN] = reason
        else:
            told = (
                f"a contrast between {present.sum()} sites, which differ in more than this driver: "
                "no statement about its cause"
            )
            design.notes[name, BETWEEN] = "; ".join(note for note in (told, shrunk) if note)
        if CONTRASTS[name].switches and (name, WITHIN) not in design.refused:
            switching = _switching(value, weight, site)
            if switching < ENOUGH_SITES:
                told = f"rests on {switching} site{'s' * (switching > 1)} that had both"
                design.notes[name, WITHIN] = told


def _concerned(name: str, design: RoleDesign) -> npt.NDArray[np.bool_]:
    """Birds that a driver can act on: for what describes feeders, those caught while some hung."""
    if CONTRASTS[name].of_feeders:
        return np.asarray(design.values["feeders"] > 0.5)
    return np.ones(len(design.site), dtype=bool)


def _switching(value: Array, weight: Array, site: Integers) -> int:
    with_it = np.bincount(site, weight * value)
    without = np.bincount(site, weight * (1 - value))
    return int(((with_it >= LEAST_BIRDS) & (without >= LEAST_BIRDS)).sum())


def _within_reason(name: str, design: RoleDesign, weight: Array, site: Integers) -> str:
    contrast, value = CONTRASTS[name], design.values[name]
    if name == "feeders_x_bloom":
        return _interaction_reason(design, weight, site)
    if contrast.by_site:
        return "it belongs to the site: only sites can be compared"
    if contrast.switches:
        return _switch_reason(name, value, weight, site)
    if contrast.by_season and len(np.unique(value[weight > 0])) < LEAST_SEASONS:
        return f"fewer than {LEAST_SEASONS} seasons with different values"
    counted = weight * _concerned(name, design)
    spread = np.sqrt(np.average(design.columns[:, design.within[name]] ** 2, weights=counted))
    if spread < LEAST_SPREAD * abs(contrast.change):
        return "it hardly changed at any site"
    return ""


def _switch_reason(name: str, value: Array, weight: Array, site: Integers) -> str:
    if _switching(value, weight, site):
        return ""
    share = np.average(value, weights=weight)
    if share in {0.0, 1.0}:
        always = "always" if share else "never"
        return f"{name} were {always} there on the days sampled: no contrast to learn from"
    return f"no site had birds enough both with and without {name}: sites alone differ"


def _interaction_reason(design: RoleDesign, weight: Array, site: Integers) -> str:
    feeders, bloom = design.values["feeders"], design.values["bloom"]
    if not _switching(feeders, weight, site):
        return "no site had days both with and without feeders"
    thin, up = bloom < design.site_mean["bloom"][site], feeders > 0.5
    for is_up, position in ((True, "up"), (False, "down")):
        for is_thin, amount in ((True, "poor"), (False, "good")):
            birds = float(weight[(up == is_up) & (thin == is_thin)].sum())
            if birds < LEAST_BIRDS:
                return f"{birds:.0f} birds were caught in {amount} bloom with feeders {position}"
    return ""


def _between_reason(name: str, design: RoleDesign, present: npt.NDArray[np.bool_]) -> str:
    if present.sum() < LEAST_SITES:
        return f"{present.sum()} sites with birds enough, {LEAST_SITES} needed"
    spread = float(design.site_mean[name][present].std())
    if spread < LEAST_SPREAD * abs(CONTRASTS[name].change):
        return "the sites hardly differ in it"
    return ""
