"""Models against general libraries on the same data, and what doubling the data costs."""

from __future__ import annotations

import time
from importlib import import_module
from math import log2
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from phenology.bench.measure import Measured, measure_python

if TYPE_CHECKING:
    from collections.abc import Callable

    from phenology.models.season_counts import SeasonCounts

Array = npt.NDArray[Any]
WINDOW = (180.0, 270.0)


def bench_models(quick: bool) -> list[Measured]:
    """Models of the bird in the hand and of the season; a quick run leaves out another library."""
    birds = 2_000 if quick else 10_000
    rows = [*_lean_mass(birds), *_role(birds), *_stopover(), *_season(), *_growth(quick)]
    return rows if quick else [*rows, *_against_sampling()]


def _lean_mass(birds: int) -> list[Measured]:
    """Against statsmodels' mixed model of the same log masses, groups random."""
    import statsmodels.formula.api as smf

    from phenology.models.lean_mass import LeanMassModel
    from phenology.models.lean_mass_simulated import simulate_lean_mass

    table, _ = simulate_lean_mass(np.random.default_rng(1), birds=birds, species=4)
    table = table.assign(
        log_mass=np.log(table["mass_g"]),
        log_wing=np.log(table["wing_mm"]),
        kind=table["species"] + table["age"] + table["sex"],
    )
    ours = _seconds(lambda: LeanMassModel(seed=1).fit(table))
    known = table.dropna(subset=["log_mass", "log_wing"])
    formula = "log_mass ~ log_wing + C(fat_class)"
    theirs = _seconds(lambda: smf.mixedlm(formula, known, groups=known["kind"]).fit())
    return [Measured(f"lean mass, {birds:,} birds, cold", ours, "statsmodels mixedlm", theirs)]


def _role(birds: int) -> list[Measured]:
    """Probability and draws of every bird's role, against the same once it is compiled."""
    from phenology.models.role import RoleModel
    from phenology.models.role_simulated import simulate_roles

    table, _ = simulate_roles(np.random.default_rng(1), birds=birds)
    model = RoleModel(
        by_group=("day",), dates=("day",), signs={"fuel_load": -1, "breeding": 1, "span_days": 1}
    )

    def draw() -> object:
        return model.draw_roles(table.traits, table.known, group=table.group)

    cold, warm = _seconds(draw), _seconds(draw)
    return [Measured(f"role, {birds:,} birds, cold", cold, "warm", warm)]


def _stopover() -> list[Measured]:
    """Stay and entry from the daily captures of one season, cold and warm."""
    from phenology.models.stopover import fit_stopover
    from phenology.models.stopover_simulated import simulate_stopover

    caught, effort, _ = simulate_stopover(np.random.default_rng(1), birds=2_000, days=60)
    cold = _seconds(lambda: fit_stopover(caught, effort))
    warm = _seconds(lambda: fit_stopover(caught, effort))
    return [Measured("stopover, 2,000 birds × 60 days, cold", cold, "warm", warm)]


def _season() -> list[Measured]:
    from phenology.models.season import SeasonModel

    counts = season_study(sites=8, seasons=12, step=3, groups=5)
    cold = _seconds(lambda: SeasonModel(method="laplace").fit(counts))
    warm = _seconds(lambda: SeasonModel(method="laplace").fit(counts))
    moved_cold = _seconds(lambda: SeasonModel(method="moved").fit(counts))
    moved = _seconds(lambda: SeasonModel(method="moved").fit(counts))
    name = "season, 8 sites × 12 seasons × 5 groups, approximated"
    return [
        Measured(f"{name}, cold", cold),
        Measured(f"{name}, warm", warm, "cold", cold),
        Measured(f"{name} and moved, moves cold", moved_cold, "approximated, warm", warm),
        Measured(f"{name} and moved, warm", moved, "approximated, warm", warm),
    ]


def _growth(quick: bool) -> list[Measured]:
    """Warm time as sites, seasons and days double; the exponent stands in the subject's name."""
    from phenology.models.season import SeasonModel

    base = {"sites": 8, "seasons": 8, "step": 4, "groups": 3}
    doubled = {
        "sites": base | {"sites": 16},
        "seasons": base | {"seasons": 16},
        "days a season": base | {"step": 2},
    }
    if not quick:
        doubled["sites, again"] = base | {"sites": 32}

    def warm(size: dict[str, int]) -> float:
        counts = season_study(**size)
        SeasonModel(method="laplace").fit(counts)
        return _seconds(lambda: SeasonModel(method="laplace").fit(counts))

    single = warm(base)
    rows = []
    for what, size in doubled.items():
        taken, times = warm(size), 4 if "again" in what else 2
        exponent = log2(taken / single) / log2(times)
        rows.append(
            Measured(f"season, {what} × {times}: exponent {exponent:.2f}", taken, "base", single)
        )
    return rows


def _against_sampling() -> list[Measured]:
    """NUTS of the passage model in PyMC (nutpie), scaled to as many effective draws as ours."""
    from phenology.models.season import SeasonModel

    counts = season_study(sites=4, seasons=6, step=4, groups=3)
    ours = _seconds(lambda: SeasonModel(method="sampled", draws=400).fit(counts))
    began = time.perf_counter()
    effective = passage_in_pymc(counts)
    theirs = (time.perf_counter() - began) * 400 / effective
    code = (
        "from phenology.bench.models import season_study\n"
        "from phenology.models.season import SeasonModel\n"
        "SeasonModel(method='laplace').fit(season_study(sites=50, seasons=20, step=1, groups=3))"
    )
    large = measure_python(code)
    return [
        Measured("season, 4 × 6 × 3, NUTS, 400 draws, cold", ours, "PyMC, as effective", theirs),
        Measured("season, 50 sites × 20 seasons daily", large.seconds, peak_gib=large.peak_gib),
    ]


def season_study(*, sites: int, seasons: int, step: int, groups: int) -> SeasonCounts:
    """Counts from the model's own family, every `step` days."""
    from phenology.models.season_simulated import simulate_counts

    sampled = np.zeros((sites, seasons, int(WINDOW[1] - WINDOW[0]) + 1), bool)
    sampled[..., ::step] = True
    counts, _ = simulate_counts(
        np.random.default_rng(3),
        sampled,
        groups=groups,
        role="passage",
        first_day=WINDOW[0],
        last_day=WINDOW[1],
        fixed={"dispersion": 3.0},
    )
    return counts


def passage_in_pymc(counts: SeasonCounts) -> float:
    """Fit the passage pulse in PyMC and give the smallest effective number of draws of a peak."""
    import nutpie
    import pymc as pm

    middle = (counts.first_day + counts.last_day) / 2
    quarter = (counts.last_day - counts.first_day) / 4
    groups, sites, seasons = (len(x) for x in (counts.groups, counts.sites, counts.seasons))
    cell = counts.site * seasons + counts.season
    with pm.Model() as model:
        spread = {
            name: pm.HalfNormal(f"sd_{name}", sd)
            for name, sd in (
                ("date_site", 5.0),
                ("date_year", 4.0),
                ("date_cell", 3.0),
                ("level_site", 1.0),
                ("level_year", 0.7),
                ("level_cell", 0.7),
            )
        }
        peak = pm.Normal("peak", 0.0, quarter, shape=groups)
        width = pm.Normal("log_width", np.log(10.0), 0.4, shape=groups)
        level = pm.Normal("level", 0.0, 2.0, shape=groups)

        def shifts(kind: str) -> Any:
            site = pm.Normal(f"{kind}_site", 0.0, spread[f"{kind}_site"], shape=sites)
            year = pm.Normal(f"{kind}_year", 0.0, spread[f"{kind}_year"], shape=seasons)
            own = pm.Normal(f"{kind}_cell", 0.0, spread[f"{kind}_cell"], shape=sites * seasons)
            return site[counts.site] + year[counts.season] + own[cell]

        day = counts.day - middle - peak[counts.group] - shifts("date")
        scale = pm.math.exp(width[counts.group])
        log_mean = level[counts.group] + shifts("level") - 0.5 * (day / scale) ** 2
        dispersion = pm.LogNormal("dispersion", 1.0, 1.0)
        pm.NegativeBinomial(
            "count", mu=pm.math.exp(log_mean), alpha=dispersion, observed=counts.count
        )
        compiled = nutpie.compile_pymc_model(model)
    trace = nutpie.sample(
        compiled, draws=400, tune=400, chains=2, cores=2, seed=1, progress_bar=False
    )
    arviz: Any = import_module("arviz")  # with the extra `bench`
    effective = arviz.ess(trace, var_names=["peak"])
    return float(effective["peak"].min())


def _seconds(call: Callable[[], object]) -> float:
    began = time.perf_counter()
    call()
    return time.perf_counter() - began
