"""A small invented assessment that fits the contract: two stations, three groups, a lost year."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenology.assess.assessment import Assessment
from phenology.estimates import Estimates
from phenology.report import render_report
from phenology.sheets.contract import sheet_contracts
from phenology.study.options import parse_options
from phenology.study.study import Study

PEAKS = {
    ("Archilochus alexandri adult female", "local"): 196,
    ("Selasphorus rufus adult male", "passage"): 205,
    ("Selasphorus rufus young female", "passage"): 231,
    ("Selasphorus platycercus adult female", "local"): 205,
    ("Selasphorus platycercus adult female", "passage"): 238,
}
SEASONS = (2029, 2030, 2032)  # 2031 was lost
HOSTILE = (
    "</script><script>alert(1)</script><img src=x onerror=alert(1)>{{7*7}}${7*7}<!--"
    "\x1b[31m\u202egnp.exe\u2028'\"&" + "x" * 5000
)
BANDER, REMARK = "Q. Private", "the gate key hangs behind the shed"


@pytest.fixture(scope="session")
def assessment() -> Assessment:
    return invented_assessment()


@pytest.fixture(scope="session")
def hostile_assessment() -> Assessment:
    return invented_assessment(HOSTILE)


@pytest.fixture(scope="session")
def report(assessment, made_once) -> str:
    return made_once("report", partial(render_report, assessment))


@pytest.fixture(scope="session")
def hostile_report(hostile_assessment, made_once) -> str:
    return made_once("hostile report", partial(render_report, hostile_assessment))


def invented_assessment(hostile: str = "") -> Assessment:
    """An assessment whose text fields all carry `hostile`, if given."""
    rng = np.random.default_rng(7)
    sites = pd.DataFrame(
        {
            "site": ["fork" + hostile, "ridge"],
            "name": ["Upper fork" + hostile, "Ridge camp"],
            "latitude": [33.4712, 33.9034],
            "longitude": [-108.9123, -108.3321],
            "elevation_m": [2412.0, 2705.0],
            "timezone": ["America/Denver"] * 2,
            "sensitive": pd.array([True, False], dtype="boolean"),
        }
    )
    captures, effort = _captures_and_effort(rng, sites["site"].tolist(), hostile)
    options = parse_options(
        {
            "name": "Invented stations" + hostile,
            "season": {"from": "06-15", "until": "09-30"},
            "species": {
                "Archilochus alexandri": "local",
                "Selasphorus rufus": "passage",
                "Selasphorus platycercus": "mixed",
            },
            "limits": {"handling_min": 20},
        }
    )
    findings = _findings(hostile)
    study = Study(
        folder=Path("study"),
        options=options,
        sheets={"captures": captures, "effort": effort, "sites": sites},
        findings=findings,
        set_aside=pd.DataFrame(
            {
                "sheet": ["captures"] * 2,
                "file": "captures.csv",
                "tab": "",
                "row": [9, 31],
                "reason": ["no species" + hostile] * 2,
                "Remarks": [REMARK] * 2,
            }
        ),
        rows={
            "captures": {"read": len(captures) + 2, "used": len(captures), "set_aside": 2},
            "effort": {"read": len(effort), "used": len(effort), "set_aside": 0},
            "sites": {"read": 2, "used": 2, "set_aside": 0},
        },
        fat_levels=("0", "1", "2", "3", "4", "5"),
        inputs={"captures.csv" + hostile: "0" * 64, "sites.csv": "1" * 64},
    )
    return Assessment(
        study=study,
        site_days=_site_days(captures, effort),
        estimates=_estimates(rng, sites["site"].tolist(), hostile),
        captures=captures.drop(columns=["bander", "remarks"]),
        curves=_curves(sites["site"].tolist(), hostile),
        draws={"season": xr.Dataset(), "lean_mass": xr.Dataset()},
        diagnostics=pd.DataFrame(
            {
                "model": ["season"],
                "statistic": ["largest R-hat"],
                "value": [1.004],
                "threshold": [1.01],
                "passed": [True],
                "meaning": ["chains agree" + hostile],
            }
        ),
        narrowed=(
            "There is no bloom sheet: how bait pulls birds in cannot be told from numbers"
            + hostile,
        ),
        seed=7,
        versions={
            "migration-site-support": "0.1.0",
            "numpy": "2.2.0",
            "machine": "Invented processor, wide sums",
        },
        inputs=study.inputs,
        cite=("Invented, A. 2030. A source that does not exist." + hostile,),
    )


def _captures_and_effort(
    rng: np.random.Generator, sites: list[str], hostile: str
) -> tuple[pd.DataFrame, pd.DataFrame]:
    birds, sessions = [], []
    for site in sites:
        for season in SEASONS:
            every = 4 if site != "ridge" else 12
            for day in range(170, 262, every):
                date = pd.Timestamp(season, 1, 1) + pd.Timedelta(days=day - 1)
                sessions.append(
                    {
                        "site": site,
                        "date": date,
                        "trap": "T1" + hostile,
                        "open": 6.5,
                        "close": 11.0,
                        "traps": 2.0,
                        "method": "trap",
                    }
                )
                for (group, _), peak in PEAKS.items():
                    expected = 3 * np.exp(-0.5 * ((day - peak) / 12) ** 2)
                    for _ in range(rng.poisson(expected)):
                        birds.append(_bird(rng, site, date, group, len(birds), hostile))
    captures = pd.DataFrame(birds)
    for column in sheet_contracts()["captures"].columns:
        if column not in captures:
            captures[column] = pd.Series([None] * len(captures), dtype="str")
    captures["date"] = captures["date"].astype("datetime64[s]")
    captures["gravid"] = captures["gravid"].astype("boolean")
    effort = pd.DataFrame(sessions)
    effort["date"] = effort["date"].astype("datetime64[s]")
    return captures, effort


def _bird(
    rng: np.random.Generator, site: str, date: pd.Timestamp, group: str, number: int, hostile: str
) -> dict[str, object]:
    words = group.split()
    wing = rng.normal(42, 1.5)
    lean = 3.1 * (wing / 42) ** 1.5
    fuel = rng.gamma(2, 0.08)
    time = rng.uniform(6.5, 11)
    return {
        "site": site, "date": date, "time": time, "release_time": time + rng.uniform(0.05, 0.4),
        "band": f"TEST-{number:05d}", "species": " ".join(words[:2]), "age": words[2],
        "sex": words[3], "wing_mm": round(wing, 1), "mass_g": round(lean * (1 + fuel), 2),
        "gravid": bool(rng.random() < 0.02), "released": "injured" if number == 40 else "well",
        "bander": BANDER, "remarks": REMARK, "group": group + hostile, "lean_mass_g": lean,
        "lean_mass_g_low": lean - 0.1, "lean_mass_g_high": lean + 0.1, "fuel_load": fuel,
        "fuel_load_low": fuel - 0.04, "fuel_load_high": fuel + 0.04,
    }  # fmt: skip


def _site_days(captures: pd.DataFrame, effort: pd.DataFrame) -> xr.Dataset:
    counts = captures.groupby(["site", "date", "group"]).size().rename("captures")
    hours = (
        effort.assign(h=(effort["close"] - effort["open"]) * 2).groupby(["site", "date"])["h"].sum()
    )
    dates = pd.date_range(effort["date"].min(), effort["date"].max(), unit="s")
    site_days = (
        xr.Dataset({"captures": counts.to_xarray(), "effort_hours": hours.to_xarray()})
        .reindex(date=dates)
        .fillna(0)
    )
    site_days = site_days.expand_dims(bait=["baited"]).transpose("site", "date", "bait", ...)
    site_days["sampled"] = (site_days["effort_hours"] > 0).any("bait")
    site_days["full"] = xr.zeros_like(site_days["effort_hours"], dtype=bool)
    return _conditions(site_days).assign_attrs(
        effort_known=1, attribution="Weather: an invented station."
    )


def _conditions(site_days: xr.Dataset) -> xr.Dataset:
    """Bloom and weather, as smooth curves."""
    rng = np.random.default_rng(3)
    day = site_days["date"].dt.dayofyear
    flowers = 20 * np.exp(-0.5 * ((day - 200) / 20) ** 2) + 0 * site_days["effort_hours"].sum(
        "bait"
    )
    site_days["open_flowers_per_m2"] = flowers
    site_days["bloom_index"] = 0.2 * np.sin(day / 15) + 0 * flowers
    for name in ("open_flowers_per_m2", "bloom_index"):
        site_days[f"{name}_low"] = site_days[name] - 0.3 * abs(site_days[name])
        site_days[f"{name}_high"] = site_days[name] + 0.3 * abs(site_days[name])
    site_days["surveyed"] = (day % 14 == 0) & (flowers > -1)
    site_days["rain_mm"] = flowers.copy(data=rng.gamma(0.3, 10, flowers.shape)).where(day > 190, 0)
    site_days["dewpoint_c"] = 4 + 8 / (1 + np.exp(-(day - 190) / 4)) + 0 * flowers
    return site_days


def _estimates(rng: np.random.Generator, sites: list[str], hostile: str) -> pd.DataFrame:
    answers = Estimates()
    for site in sites:
        spread = 2.0 if site != "ridge" else 9.0
        for season in SEASONS:
            for (group, role), peak in PEAKS.items():
                key = {"site": site, "season": str(season), "group": group + hostile, "role": role}
                basis = "measured" if site != "ridge" else "borrowed"
                shares = (0.7, 0.2, 0.1) if site != "ridge" else (0.1, 0.6, 0.3)
                for quantity, shift in (
                    ("arrival_day", -18),
                    ("peak_day", 0),
                    ("departure_day", 19),
                ):
                    if quantity == "arrival_day" and role == "local":
                        answers.refuse(
                            quantity,
                            "birds were already there when sampling began" + hostile,
                            **key,
                        )
                        continue
                    draws = rng.normal(peak + shift + rng.normal(0, 2), spread, 400)
                    answers.add(quantity, draws, birds=30, basis=basis, shares=shares, **key)
        for (group, role), peak in PEAKS.items():
            draws = rng.normal(peak, 1.5, 400)
            pooled = {"site": site, "role": role, "group": group + hostile}
            pooled["definition"] = "all seasons sampled, summed"
            answers.add("peak_day", draws, birds=90, basis="measured", **pooled)
        for group, role in PEAKS:
            fuel = rng.normal(0.16 if role == "passage" else 0.05, 0.01, 400)
            answers.add(
                "fuel_load",
                fuel,
                birds=40,
                basis="measured",
                shares=(0.8, 0.1, 0.1),
                site=site,
                group=group + hostile,
                role=role,
            )
        answers.add(
            "onset_day",
            rng.normal(190, 2, 200),
            birds=0,
            basis="measured",
            site=site,
            season="2032",
        )
        for role in ("local", "passage"):
            answers.add(
                "share_ready",
                rng.normal(0.3, 0.03, 200),
                birds=60,
                basis="measured",
                site=site,
                role=role,
                definition="at equal days and groups",
            )
            answers.add(
                "share_ready",
                rng.normal(-0.1, 0.02, 200),
                birds=20,
                basis="measured",
                site=site,
                role=role,
                season="2032",
                definition="season against the site's normal",
            )
        answers.refuse("stopover_days", "fewer than 20 birds were seen again", birds=3, site=site)
    answers.add(
        "effect",
        rng.normal(-0.08, 0.02, 200),
        birds=90,
        basis="measured",
        unit="g/day, per halving of bloom",
        outcome="fuel_deposition_g_per_day",
        driver="bloom",
        role="passage",
        definition="within-site",
    )
    return answers.table()


def _curves(sites: list[str], hostile: str) -> pd.DataFrame:
    rows = []
    for site in sites:
        for season in SEASONS:
            for (group, role), peak in PEAKS.items():
                days = np.arange(166, 274)
                height = 3 * np.exp(-0.5 * ((days - peak - season % 3) / 12) ** 2)
                rows.append(pd.DataFrame(
                    {"site": site, "season": str(season), "group": group + hostile, "role": role,
                     "curve": "present", "day": days, "estimate": height, "low": height * 0.6,
                     "high": height * 1.5}))  # fmt: skip
    by_season = pd.concat(rows, ignore_index=True)
    keys = ["site", "group", "role", "day"]
    pooled = by_season.groupby(keys, as_index=False)[["estimate", "low", "high"]].mean()
    new = pooled.assign(day=pooled["day"] - 4, curve="captured")
    both = pd.concat([pooled.assign(curve="present"), new]).assign(season="")
    return pd.concat([by_season, both], ignore_index=True)


def _findings(hostile: str) -> pd.DataFrame:
    kinds = [
        ("implausible measurement", "doubtful", "kept", 5),
        ("unreadable time", "impossible", "blanked", 3),
        ("duplicate band", "doubtful", "kept", 1),
        ("masses all end in .0 or .5", "note", "kept", 1),
    ]
    cell = {"sheet": "captures", "file": "captures.csv", "tab": "", "column": "mass_g"}
    return pd.DataFrame(
        [
            cell | {"row": number + 2, "value": "33" + hostile, "kind": kind + hostile,
                    "severity": severity, "message": REMARK + hostile, "suggestion": "",
                    "action": action}
            for kind, severity, action, many in kinds
            for number in range(many)
        ]
    )  # fmt: skip
