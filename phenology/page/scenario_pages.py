"""Sliders of bloom, monsoon and feeders, answered from the draws of the finished run."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING, Any

from starlette.responses import JSONResponse

from phenology.assess.scenario import AS_IT_WAS, tell_scenarios
from phenology.assess.scenario_words import Scenario, parse_scenario
from phenology.errors import StudyError
from phenology.estimates import Estimates
from phenology.page.figures import draw_scenario
from phenology.page.render import render
from phenology.quantities import QUANTITIES
from phenology.report.content import Figure
from phenology.report.words import estimate_words, plain, unit_words

if TYPE_CHECKING:
    from collections.abc import Hashable

    import pandas as pd
    from starlette.requests import Request
    from starlette.responses import Response

    from phenology.assess.support import SupportAnswers
    from phenology.page.desk import Desk
    from phenology.page.results import Results

BLOOM = ("10%", "25%", "50%", "75%", "100%", "150%", "200%")
MONSOON = tuple(f"{days:+d}d" for days in (-21, -14, -7, 7, 14, 21))
FEEDERS = ("none", "up")
CHANGED = "changed"
_DRIVERS = {"bloom": "bloom", "monsoon_onset": "the onset of the monsoon", "feeders": "feeders"}


def _results(request: Request) -> tuple[Desk, Results, SupportAnswers]:
    desk: Desk = request.app.state.workspace.desk(request.path_params["study"])
    results = desk.results()
    support = results.run.support
    if support is None:
        raise StudyError(
            "No outcome could be fitted, so nothing can be said about other conditions.",
            "The report says what is missing.",
        )
    return desk, results, support


def show_scenarios(request: Request) -> Response:
    """The sliders, and every outcome as it was."""
    desk, results, support = _results(request)
    birds = support.birds.table
    choices = {name: sorted(birds[name].unique()) for name in ("site", "season")}
    chosen = _chosen(request)
    if not request.query_params:  # the newest season at its busiest site
        newest = birds[birds["season"] == choices["season"][-1]]
        chosen = {"site": str(newest["site"].mode()[0]), "season": choices["season"][-1]}
    was = scenario_rows(support, None, **chosen)
    reaches = _reaches(results, support, chosen)
    known = known_drivers(support)
    outcomes = [
        {
            "name": quantity,
            "title": _title(quantity),
            "figure": Figure(quantity.replace("_", "-"), draw_scenario(drawn(rows), _unit(quantity),
                             reaches[quantity]), QUANTITIES[quantity][1].capitalize() + "."),
            "words": _words(quantity, rows),
        }
        for quantity, rows in was.items()
    ]  # fmt: skip
    return render(
        request,
        "scenarios.html",
        desk=desk,
        room="scenarios",
        changed=results.changed,
        choices=choices,
        chosen=chosen,
        known=known,
        unknown=[words for name, words in _DRIVERS.items() if name not in known],
        sliders=_sliders(known),
        outcomes=outcomes,
    )


def _sliders(known: set[str]) -> list[dict[str, Any]]:
    """Each slider with its steps, "as it was" in the middle."""
    days = {
        step: f"{step[1:-1]} days {'earlier' if step[0] == '-' else 'later'}" for step in MONSOON
    }
    steps = {
        ("bloom", "Bloom"): {share: f"{share} of normal" for share in BLOOM},
        ("monsoon", "Monsoon onset"): days,
        ("feeders", "Feeders"): {"none": "none between sessions", "up": "up every day"},
    }
    drivers = dict(zip(steps, _DRIVERS, strict=True))
    sliders = []
    for (name, label), told in steps.items():
        middle = (len(told) + 1) // 2
        values, words = list(told), list(told.values())
        sliders.append(
            {
                "name": name,
                "label": label,
                "known": drivers[name, label] in known,
                "at": middle,
                "values": [*values[:middle], "", *values[middle:]],
                "words": [*words[:middle], AS_IT_WAS, *words[middle:]],
            }
        )
    return sliders


def show_rows(request: Request) -> Response:
    """Rows of every outcome under the sliders' conditions, for the figures to redraw."""
    _, results, support = _results(request)
    asked, chosen = request.query_params, _chosen(request)
    words = {name: asked[name] for name in ("bloom", "monsoon", "feeders") if asked.get(name)}
    key = ("rows", *chosen.values(), *words.items())
    if key not in results.kept:
        scenario = parse_scenario(**words) if words else None
        told = scenario_rows(support, scenario, **chosen)
        results.kept[key] = {
            quantity: {"rows": drawn(rows).to_dict("records"), "words": _words(quantity, rows)}
            for quantity, rows in told.items()
        }
    return JSONResponse(results.kept[key])


def drawn(rows: pd.DataFrame) -> pd.DataFrame:
    """What a figure draws; what was refused stands in words alone."""
    told = rows["basis"] != "refused"
    return rows.loc[told, ["role", "scenario", "estimate", "low", "high"]]


def _chosen(request: Request) -> dict[str, str]:
    return {name: request.query_params.get(name, "") for name in ("site", "season")}


def known_drivers(support: SupportAnswers) -> set[str]:
    """Drivers that some outcome of some role depends on."""
    return {
        driver
        for model in support.models.values()
        for fit in model.roles_.values()
        for driver in fit.design.values
    }


def scenario_rows(
    support: SupportAnswers, scenario: Scenario | None, site: str, season: str
) -> dict[str, pd.DataFrame]:
    """Every outcome by role, as it was and under a scenario; the refused are in `note` alone.

    Parameters
    ----------
    support : SupportAnswers
    scenario : Scenario or None
        None leaves everything as it was.
    site, season : str
        Whose birds; all if empty.

    Returns
    -------
    dict of DataFrame
        By quantity: role, scenario ("as it was" or "changed"), estimate, low, high, unit,
        birds, basis, note. "changed" equals what was where nothing is changed.
    """
    answers = Estimates()
    asked = scenario or Scenario(name=CHANGED)
    asked = Scenario(**{**vars(asked), "season": season, "name": CHANGED})
    tell_scenarios(support, [asked], answers, site)
    table = answers.table()
    table = table[table["definition"] == ""]
    told = table.loc[table["basis"] != "refused", "quantity"].unique()
    return {
        quantity: table[table["quantity"] == quantity].reset_index(drop=True) for quantity in told
    }


def _reaches(
    results: Results, support: SupportAnswers, chosen: dict[str, str]
) -> dict[str, tuple[float, float]]:
    """What each axis must cover so that it stays while the sliders move: their corners."""
    key = ("reach", chosen["site"], chosen["season"])
    if key not in results.kept:
        known = known_drivers(support)
        corners = product(
            (BLOOM[0], BLOOM[-1]) if "bloom" in known else (None,),
            (MONSOON[0], MONSOON[-1]) if "monsoon_onset" in known else (None,),
            FEEDERS if "feeders" in known else (None,),
        )
        reach: dict[str, tuple[float, float]] = {}
        for bloom, monsoon, feeders in corners:
            anything = any((bloom, monsoon, feeders))
            scenario = parse_scenario(bloom, monsoon, feeders) if anything else None
            for quantity, rows in scenario_rows(support, scenario, **chosen).items():
                low, high = reach.get(quantity, (float("inf"), float("-inf")))
                reach[quantity] = (min(low, rows["low"].min()), max(high, rows["high"].max()))
        results.kept[key] = reach
    kept: dict[str, tuple[float, float]] = results.kept[key]
    return kept


def _title(quantity: str) -> str:
    return quantity.removesuffix("_g_per_day").replace("_", " ").capitalize()


def _unit(quantity: str) -> str:
    return QUANTITIES[quantity][0]


def _words(quantity: str, rows: pd.DataFrame) -> list[str]:
    """Each role in words: what was, what would have been, and what the answer rests on."""
    by: dict[str, dict[str, dict[Hashable, Any]]] = {}
    for row in rows.to_dict("records"):
        by.setdefault(row["role"], {})[row["scenario"]] = row
    return [
        f"{role}: {_role_words(told[AS_IT_WAS], told[CHANGED], unit_words(_unit(quantity)))}."
        for role, told in by.items()
    ]


def _role_words(was: dict[Hashable, Any], then: dict[Hashable, Any], unit: str) -> str:
    note = plain(then["note"], 300)
    if was["basis"] == "refused":
        return f"cannot be told: {plain(was['note'], 300)}"
    said = f"{estimate_words(was)} {unit} as it was"
    if then["basis"] == "refused":
        said += f"; changed: cannot be told: {note}"
    else:
        said += f", {estimate_words(then)} changed"
        said += f" (beyond anything seen: {note})" if then["basis"] == "extrapolated" else ""
    return f"{said}. {int(was['birds'])} birds"
