"""One simulated study of a model of the bird in the hand, by seed: truth beside estimate.

Scenarios: the model's own family by size of study; "individual-based", from seasons simulated on
other principles; "simple: …", what simpler ways make of the same data, for their bias alone.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from scipy.stats import norm

from phenology.models.simulated_season_birds import LEAN_SPREAD
from phenology.models.simulated_season_field_marks import FAT_BOUNDS, FAT_MISREAD, FAT_NOISE

_COLUMNS = ["scenario", "quantity", "truth", "estimate", "low", "high", "oracle_width"]


def lean_mass_study(seed: int) -> pd.DataFrame:
    """Lean mass and fuel of single birds, by group and by fat class.

    The number of birds goes round 60, 250 and 1000 with the seed. The oracle of a single bird
    knows every parameter and the true class, not the bird's own structure.
    """
    from phenology.models.lean_mass import LeanMassModel
    from phenology.models.lean_mass_simulated import simulate_lean_mass

    birds = (60, 250, 1000)[seed % 3]
    sheet, truth = simulate_lean_mass(np.random.default_rng(seed), birds=birds)
    model = LeanMassModel(wing_error=0.012, seed=seed).fit(sheet)
    scenario = f"{birds} birds"
    rows: list[dict[str, Any]] = []
    known = model.birds_["left_out"] == ""
    fuel = np.log1p(truth.class_fuel_load)[truth.birds["fat_class"]]
    structure = truth.scatter_sd * np.sqrt(truth.repeatability)
    scatter = np.hypot(0.4 * fuel, truth.scatter_sd * np.sqrt(1 - truth.repeatability))
    spread = structure * scatter / np.hypot(structure, scatter)
    for name, true in truth.birds[["lean_mass_g", "fuel_load"]].items():
        table = model.birds_.loc[known]
        scale = true if name == "lean_mass_g" else 1 + true
        rows += [
            {"quantity": name, "truth": t, "estimate": e, "low": low, "high": high,
             "oracle_width": w}
            for t, e, low, high, w in zip(
                true[known], table[name], table[f"{name}_low"], table[f"{name}_high"],
                (2 * 1.645 * spread * scale)[known], strict=True)
        ]  # fmt: skip
    for at, row in model.fuel_classes_.iterrows():
        if row["fat_class"] > 0:
            rows.append({"quantity": "class_fuel_load", "truth": truth.class_fuel_load[at],
                         **row[["estimate", "low", "high"]]})  # fmt: skip
    level = xr.DataArray(np.exp(model.draws_["log_lean_mass"]))
    rows += [_row("group_lean_mass_g", level.sel(group=group).values, truth.groups[group])
             for group in level["group"].values]  # fmt: skip
    rows.append(_row("exponent", model.draws_["exponent"].values, truth.exponent))
    rows.append(_row("hour_effect", model.draws_["hour_effect"].values, truth.hour_effect))
    own = _table(rows, scenario)
    parts = [own, _fat_free(sheet, truth.birds)]
    if seed % 3 == 2:
        parts.append(_individual_lean_mass(seed))
    return pd.concat(parts, ignore_index=True)


def _fat_free(sheet: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    """Lean mass by a regression of log mass on log wing over birds of the lowest class.

    Groups with fewer than three such birds have no answer, and a study with fewer than ten none.
    """
    birds = sheet[["mass_g", "wing_mm", "fat_class", "species", "age", "sex"]].dropna()
    name = birds[["species", "age", "sex"]].agg(" ".join, axis=1)
    lean_of = name[birds["fat_class"] == 0].value_counts()
    birds = birds[name.isin(lean_of.index[lean_of >= 3])]
    lean = (birds["fat_class"] == 0).to_numpy()
    if lean.sum() < 10:
        return _table([], "simple: fat-free birds")
    design = np.column_stack(
        [np.log(birds["wing_mm"]), pd.get_dummies(name[birds.index], dtype=float)]
    )
    slope = np.linalg.lstsq(design[lean], np.log(birds["mass_g"][lean]), rcond=None)[0]
    told = np.exp(design @ slope)
    rows = [
        {"quantity": name, "truth": t, "estimate": e}
        for name, estimate in (("lean_mass_g", told), ("fuel_load", birds["mass_g"] / told - 1))
        for t, e in zip(truth.loc[birds.index, name], estimate, strict=True)
    ]
    return _table(rows, "simple: fat-free birds")


def _individual_lean_mass(seed: int) -> pd.DataFrame:
    """Single birds of a simulated season; the oracle knows every bird's expected lean mass by its
    wing, and the fuel of each class and its scatter.
    """
    from phenology.models.lean_mass import LeanMassModel
    from phenology.models.simulated_season import simulate, sun_hours
    from phenology.models.simulated_season_world import FIRST_DAY, make_world

    world = make_world(1, 2)
    study = simulate(world, seed)
    sheet, truth = study.sheets["captures"], study.truth["captures"]
    sunrise, _ = sun_hours(world)
    clock = pd.to_timedelta(sheet["time"].replace("", pd.NA) + ":00").dt.total_seconds() / 3600
    words = sheet.replace("", pd.NA)
    birds = pd.DataFrame(
        {
            "mass_g": pd.to_numeric(words["mass_g"]),
            "wing_mm": pd.to_numeric(words["wing_mm"]),
            "fat_class": pd.to_numeric(words["fat"]).fillna(-1).astype(int),
            "hours_since_sunrise": clock - sunrise[0, truth["day"].to_numpy() - FIRST_DAY],
            "fed_before_weighing": words["fed_before_weighing"].map({"yes": True, "no": False}),
            "gravid": words["gravid"].map({"yes": True, "no": False}),
        }
    ).join(words[["species", "age", "sex", "crop", "band"]])
    told = LeanMassModel(seed=seed).fit(birds).birds_
    told = told[told["left_out"] == ""]
    true = _by_definition(truth)
    within = np.log1p(truth["body_fuel"]).groupby(birds["fat_class"]).transform("std").fillna(0.0)
    spread = LEAN_SPREAD * within / np.hypot(LEAN_SPREAD, within)
    parts = []
    for name, scale in (("lean_mass_g", true["lean_mass_g"]), ("fuel_load", 1 + true["fuel_load"])):
        part = told[[name, f"{name}_low", f"{name}_high"]].set_axis(_COLUMNS[3:6], axis=1)
        parts.append(part.assign(quantity=name, truth=true[name],
                                 oracle_width=2 * 1.645 * spread * scale))  # fmt: skip
    simple = _fat_free(birds, true).assign(scenario="simple: fat-free birds, individual-based")
    own = pd.concat(parts).assign(scenario="individual-based")[_COLUMNS]
    return pd.concat([own, simple], ignore_index=True)


def _by_definition(truth: pd.DataFrame) -> pd.DataFrame:
    """Lean mass and fuel of single birds, lean mass being that expected at fat 0.

    What birds read as 0 carry is taken from the fuel of all birds caught and the chance that each
    is read so, not from the handful that was: their mean would add its own error to the truth.
    """
    log_fuel = np.log1p(truth["body_fuel"])
    below, next_below = (
        norm.cdf((bound - truth["body_fuel"]) / FAT_NOISE) for bound in FAT_BOUNDS[:2]
    )
    read = below * (1 - FAT_MISREAD / 2) + (next_below - below) * FAT_MISREAD / 2
    carried = float((read * log_fuel).sum() / read.sum())
    return pd.DataFrame(
        {
            "lean_mass_g": truth["structural_lean_g"] * np.exp(carried),
            "fuel_load": np.expm1(log_fuel - carried),
        }
    )


def deposition_study(seed: int) -> pd.DataFrame:
    """Fuel deposition rate from repeats of 20 or 80 birds."""
    from phenology.models.fuel_deposition import fit_deposition
    from phenology.models.fuel_deposition_simulated import simulate_weighings

    birds = (20, 80)[seed % 2]
    weighings, truth = simulate_weighings(np.random.default_rng(seed), birds=birds)
    draws = fit_deposition(weighings, seed=seed).draws
    rows = [
        _row("fuel_deposition_g_per_day", draws["fuel_deposition_g_per_day"].values.ravel(),
             truth.rate_g_per_day),
        _row("first_day_loss_g", draws["first_day_loss_g"].values, truth.first_day_loss_g),
    ]  # fmt: skip
    ordered = weighings.sort_values(["bird", "day"]).groupby("bird")
    ends = ordered[["day", "mass_g"]].agg(["first", "last"])
    days = ends["day", "last"] - ends["day", "first"]
    gain = (ends["mass_g", "last"] - ends["mass_g", "first"])[days > 0] / days[days > 0]
    plain = {"quantity": "fuel_deposition_g_per_day", "truth": truth.rate_g_per_day,
             "estimate": gain.mean()}  # fmt: skip
    simple = _table([plain], "simple: last less first mass")
    return pd.concat([_table(rows, f"{birds} birds"), simple], ignore_index=True)


def survival_study(seed: int) -> pd.DataFrame:
    """Yearly survival and recapture from 15 or 40 birds marked a year, 8 years."""
    from phenology.models.recaptures import recapture_table
    from phenology.models.survival import fit_survival
    from phenology.models.survival_simulated import simulate_recaptures

    marked = (15, 40)[seed % 2]
    histories, truth = simulate_recaptures(np.random.default_rng(seed), marked_per_year=marked)
    fit = fit_survival(recapture_table(histories))
    rows = [
        {"quantity": name, "truth": value, **table.iloc[0][["estimate", "low", "high"]]}
        for name, table, value in (
            ("survival", fit.survival, truth.survival),
            ("recapture", fit.recapture, truth.recapture),
        )
    ]
    return _table(rows, f"{marked} marked a year")


def stopover_study(seed: int) -> pd.DataFrame:
    """Stay of passage birds and share of residents, 400 or 1000 birds over 60 days."""
    from phenology.models.stopover import fit_stopover
    from phenology.models.stopover_simple import compare_simple_stays
    from phenology.models.stopover_simulated import simulate_stopover

    birds = (400, 1000)[seed % 2]
    caught, effort, truth = simulate_stopover(np.random.default_rng(seed), birds=birds)
    draws = fit_stopover(caught, effort, seed=seed).draws
    rows = [
        _row("stopover_days", draws["passage_stay_days"].values, truth.passage_stay_days),
        _row("share_residents", draws["share_residents"].values, truth.share_residents),
    ]
    own = _table(rows, f"{birds} birds")
    simple = [
        _table([{"quantity": "stopover_days", "truth": truth.passage_stay_days,
                 "estimate": row["days"]}], f"simple: {row['method']}")
        for row in compare_simple_stays(caught, effort).to_dict("records")
    ]  # fmt: skip
    return pd.concat([own, *simple, _individual_stopover(seed)], ignore_index=True)


def _individual_stopover(seed: int) -> pd.DataFrame:
    """Stay of the passage species caught again most, one site worked every day; empty if refused.

    The oracle is the mean of the stays themselves, known for as many birds as were caught.
    """
    from phenology.models.refusal import Refused
    from phenology.models.simulated_season import simulate
    from phenology.models.simulated_season_world import Plan, make_world
    from phenology.models.stopover import fit_stopover

    plan = Plan(first_day=170, last_day=270, every_days=1, nets=2)
    study = simulate(make_world(1, 1, plan=plan), seed)
    stays, captures = study.truth["stays"], study.truth["captures"]
    passage = captures[captures["role"] == "passage"]
    again = passage.groupby(["species", "bird"])["day"].nunique().gt(1)
    species = again.groupby("species").sum().idxmax()
    of_species = captures[captures["species"] == species]
    bird, birds = pd.factorize(of_species["bird"])
    first, last = plan.first_day, plan.last_day
    caught = np.zeros((len(birds), last - first + 1), dtype=bool)
    caught[bird, of_species["day"].to_numpy() - first] = True
    try:
        draws = fit_stopover(caught, np.ones(last - first + 1), seed=seed).draws
    except Refused:
        return _table([], "individual-based")
    there = stays[(stays["species"] == species) & (stays["role"] == "passage")]
    there = there[(there["exit_day"] >= first) & (there["entry_day"] <= last)]["stopover_days"]
    # present on n days is a stay of n − 1 to n days from entering to leaving
    truth = float(there.mean()) - 0.5
    row = _row("stopover_days", draws["passage_stay_days"].values, truth)
    row["oracle_width"] = 2 * 1.645 * float(there.std()) / np.sqrt(len(birds))
    return _table([row], "individual-based")


def role_study(seed: int) -> pd.DataFrame:
    """Number of local birds by age, with and without known birds, from draws of their roles."""
    from phenology.models.role import RoleModel
    from phenology.models.role_simulated import simulate_roles

    known = (0.0, 0.2)[seed % 2]
    birds, local = simulate_roles(np.random.default_rng(seed), birds=1000, known_local=known)
    model = RoleModel(
        by_group=("day",),
        dates=("day",),
        signs={"fuel_load": -1, "breeding": 1, "span_days": 1},
        seed=seed,
    )
    drawn, _ = model.draw_roles(birds.traits, birds.known, group=birds.group)
    rows = [
        _row("share_local", drawn[:, birds.group == group].mean(axis=1),
             float(local[birds.group == group].mean()))
        for group in np.unique(birds.group)
    ]  # fmt: skip
    own = _table(rows, "known birds" if known else "no known birds")
    return pd.concat([own, _equal_fuel(seed), _individual_roles(seed)], ignore_index=True)


def _equal_fuel(seed: int) -> pd.DataFrame:
    """Fuel of passage less local birds where all carry alike, by roles drawn without fuel.

    The birds are a sample of their class: its error is added to each draw.
    """
    from phenology.models.role import RoleModel
    from phenology.models.role_simulated import simulate_roles

    rng = np.random.default_rng(seed)
    birds, _ = simulate_roles(rng, birds=1000, equal_fuel=True, known_local=0.1)
    fuel = birds.traits["fuel_load"].to_numpy()
    signs: dict[str | int, int] = {"fuel_load": -1, "breeding": 1, "span_days": 1}
    model = RoleModel(by_group=("day",), dates=("day",), signs=signs, seed=seed)
    drawn, _ = model.draw_roles(
        birds.traits, birds.known, group=birds.group, without=("fuel_load",)
    )
    number = drawn.sum(axis=1)
    error = fuel.std() * np.sqrt(1 / number + 1 / (fuel.size - number))
    apart = np.array([fuel[~local].mean() - fuel[local].mean() for local in drawn])
    contrast = apart + error * rng.standard_normal(error.size)
    return _table([_row("passage_less_local_fuel", contrast, 0.0)], "equal fuel")


def _individual_roles(seed: int) -> pd.DataFrame:
    """Share of locals by group in a mixed species, two sites worked in different months."""
    from phenology.models.role import RoleModel

    birds, local, effort = simulate_mixed_species(seed)
    drawn, _ = RoleModel(
        by_group=("day",),
        dates=("day",),
        signs={"fuel_load": -1, "span_days": 1},
        seed=seed,
    ).draw_roles(
        birds[["day", "fuel_load", "span_days", "moult"]],
        np.where(birds["breeding"], "local", "unknown"),
        group=birds["group"], place=birds["site"], effort=effort,
    )  # fmt: skip
    rows = [
        _row("share_local", drawn[:, of_group].mean(axis=1), float(local[of_group].mean()))
        for of_group in birds.groupby("group").indices.values()
    ]
    return _table(rows, "individual-based")


def simulate_mixed_species(
    seed: int,
) -> tuple[pd.DataFrame, np.ndarray[Any, np.dtype[np.bool_]], pd.DataFrame]:
    """Birds of a species that breeds and passes, one row a bird, site and season.

    Returns
    -------
    birds : DataFrame
        site, group, day of first capture, fuel_load as a lean mass model would tell it, span_days,
        moult, breeding.
    local : ndarray of bool
    effort : DataFrame
        As `role.RoleModel.fit` takes it.
    """
    from phenology.models.simulated_season import simulate
    from phenology.models.simulated_season_world import Plan, Station, World

    plans = Plan(184, 270, every_days=3, nets=2), Plan(121, 275, every_days=7, nets=1)
    stations = tuple(
        Station(name, f"Invented {name}", 31.0, -108.0, 1800.0, plan)
        for name, plan in zip(("short", "long"), plans, strict=True)
    )
    study = simulate(World(stations, tuple(range(2031, 2039))), seed)
    sheet, truth = study.sheets["captures"].replace("", pd.NA), study.truth["captures"]
    told_fuel = truth["fuel_load"] + np.random.default_rng(seed).normal(0, 0.04, len(truth))
    table = truth[["site", "season", "bird", "species", "day", "role"]].assign(
        fuel_load=told_fuel,
        group=truth["age"] + " " + truth["sex"],
        moult=sheet["body_moult"],
        breeding=(sheet["gravid"] == "yes").fillna(False)
        | (sheet["breeding"].notna() & (sheet["breeding"] != "no")),
    )
    table = table[table["species"] == "Calypte anna"].sort_values("day", kind="stable")
    bird = table.groupby(["site", "season", "bird"])
    span = bird["day"].transform("max") - bird["day"].transform("min")
    table["span_days"] = span.where(span > 0).astype(float)
    table["breeding"] = bird["breeding"].transform("any")
    table = table[~table.duplicated(["site", "season", "bird"])].reset_index(drop=True)
    sessions = study.sheets["effort"][["site", "date"]].drop_duplicates()
    effort = pd.DataFrame(
        {
            "place": sessions["site"],
            "day": pd.to_datetime(sessions["date"]).dt.day_of_year,
            "hours": 1.0,
        }
    )
    return table, (table["role"] == "local").to_numpy(), effort


def _row(quantity: str, draws: Any, truth: float) -> dict[str, Any]:
    low, middle, high = np.quantile(draws, [0.05, 0.5, 0.95])
    return {"quantity": quantity, "truth": truth, "estimate": middle, "low": low, "high": high}


def _table(rows: list[dict[str, Any]], scenario: str) -> pd.DataFrame:
    return pd.DataFrame(rows).assign(scenario=scenario).reindex(columns=_COLUMNS).astype(
        dict.fromkeys(_COLUMNS[2:], float)
    )  # fmt: skip
