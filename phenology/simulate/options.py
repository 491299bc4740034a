"""Options of a simulation, checked for people."""

from __future__ import annotations

from dataclasses import fields
from difflib import get_close_matches
from typing import Any, get_args, get_type_hints

from phenology.errors import StudyError
from phenology.models.simulated_season_world import World, make_world

LARGEST = {"sites": 100, "seasons": 60}
_LAID_OUT = ("stations", "seasons", "species", "plants")  # by the number of sites and seasons


def checked_world(sites: int, seasons: int, options: dict[str, Any]) -> World:
    """Lay out a plain world, or say which option is wrong.

    Parameters
    ----------
    sites, seasons : int
    options : dict
        Options of `World`, by name.

    Returns
    -------
    World

    Raises
    ------
    StudyError

    Examples
    --------
    >>> checked_world(1, 2, {"feeders": "none"}).feeders
    'none'
    """
    for name, count in (("sites", sites), ("seasons", seasons)):
        if not 1 <= count <= LARGEST[name]:
            raise StudyError(
                f"A simulation of {count} {name} is not possible.",
                f"Choose 1 to {LARGEST[name]} {name}.",
            )
    known = [column.name for column in fields(World) if column.name not in _LAID_OUT]
    hints = get_type_hints(World)
    for name, value in options.items():
        if name not in known:
            near = get_close_matches(name, known, n=1, cutoff=0.5)
            hint = f"Did you mean '{near[0]}'?" if near else f"Known: {', '.join(known)}."
            raise StudyError(f"A simulation has no option '{name}'.", hint)
        choices = get_args(hints[name])
        if choices and value not in choices:
            raise StudyError(
                f"The option {name} is {value!r}.", f"Choose one of: {', '.join(choices)}."
            )
    return make_world(sites, seasons, **options)
