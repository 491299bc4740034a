"""Bloom told from surveys, on simulated studies whose flowers are known.

The simulation shares nothing with the model's curves: buds of single plants open at a sum of
warmth of their own, as fast as the water in the soil allows, and a flower lasts some days.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy.stats import norm

from phenology.bloom import daily_bloom

FIRST_YEAR = 2030
AREA_M2 = 200.0


@dataclass(frozen=True)
class World:
    bloom: pd.DataFrame
    sites: pd.DataFrame
    weather: xr.Dataset
    truth: xr.DataArray  # (plant, site, date), open flowers by m2
    seasons: range


def simulate(
    seed: int,
    *,
    sites: int = 4,
    seasons: int = 8,
    unsurveyed: tuple[int, ...] = (),
    every_days: int = 12,
    rain_matters: bool = True,
    winter_matters: bool = True,
    odd_monsoon: tuple[int, ...] = (),
) -> World:
    rng = np.random.default_rng(seed)
    dates = pd.date_range(f"{FIRST_YEAR - 1}-09-01", f"{FIRST_YEAR + seasons - 1}-10-31", unit="s")
    doy, year = dates.day_of_year.to_numpy(), dates.year.to_numpy() - FIRST_YEAR
    names = np.array([f"site{n}" for n in range(sites)])
    cold = rng.normal(0, 1.5, sites)
    yearly = rng.normal(0, 1.0, seasons + 1)
    noise = np.zeros(len(dates))
    for day in range(1, len(dates)):
        noise[day] = 0.8 * noise[day - 1] + rng.normal(0, 1.5)
    regional = 11 - 11 * np.cos(2 * np.pi * (doy - 20) / 365) + noise + yearly[year]
    warmth = regional + cold[:, None]
    onset = rng.normal(186, 7, seasons + 1)
    strength = np.exp(rng.normal(0, 0.35, seasons + 1))
    for odd in odd_monsoon:
        strength[odd] *= 0.25
        onset[odd] = 215
    winter = np.exp(rng.normal(0, 0.5, seasons + 1))
    in_monsoon = (doy >= onset[year]) & (doy < 265)
    cold_season = (doy < 91) | (doy >= 274)
    next_winter = np.minimum(np.where(doy >= 274, year + 1, year), seasons - 1)
    chance = np.where(in_monsoon, 0.35, np.where(cold_season, 0.2, 0.04))
    size = np.where(
        in_monsoon, 9 * strength[year], np.where(cold_season, 7 * winter[next_winter], 4)
    )
    rain = (rng.random((sites, len(dates))) < chance) * rng.gamma(0.8, size, (sites, len(dates)))
    weather = xr.Dataset(
        {
            "tmean_c": (("site", "date"), warmth),
            "tmin_c": (("site", "date"), warmth - 7),
            "rain_mm": (("site", "date"), rain),
        },
        coords={"site": names, "date": dates},
    )
    truth = np.zeros((3, sites, len(dates)))
    plants = ("penstemon", "sage", "trumpet")
    for plant, (need, spread, life, early) in enumerate(
        [(900, 0.16, 3, True), (1250, 0.22, 2, False), (1500, 0.14, 5, False)]
    ):
        herbivory = np.exp(rng.normal(0, 0.25, seasons))
        stems = np.exp(rng.normal(0, 0.7, sites))
        for site in range(sites):
            for season in range(seasons):
                days = np.flatnonzero(year == season)
                moisture, water = np.zeros(len(days)), 20.0
                for step, day in enumerate(days):
                    water = min(water * 0.955 + rain[site, day], 90.0)
                    moisture[step] = water
                heat = np.cumsum(np.maximum(warmth[site, days] - 5, 0))
                opened = np.diff(norm.cdf(np.log(heat / need + 1e-9) / spread), prepend=0.0)
                set_buds = winter[season] ** 0.8 if early and winter_matters else 1.0
                watered = (0.1 + moisture / (moisture + 30)) if not early and rain_matters else 0.6
                own = np.exp(rng.normal(0, 0.2))
                flow = 400 * opened * set_buds * watered * stems[site] * herbivory[season] * own
                lasting = np.exp(-np.arange(30) / life)
                truth[plant, site, days] = np.convolve(flow, lasting)[: len(days)] / 100
    rows = []
    for site in range(sites):
        patchy = rng.gamma(4.0, 0.25, 10_000)
        for season in set(range(seasons)) - set(unsurveyed):
            start = 150 + int(rng.integers(0, every_days))
            for day in range(start, 265, every_days):
                here = pd.Timestamp(f"{FIRST_YEAR + season}-01-01") + pd.Timedelta(days=day - 1)
                at = dates.get_loc(here)
                for plant, name in enumerate(plants):
                    mean = truth[plant, site, at] * AREA_M2 * patchy[len(rows) % 10_000]
                    rows.append((names[site], here, name, float(rng.poisson(mean)), AREA_M2, True))
    columns = ["site", "date", "plant", "open_flowers", "area_m2", "complete"]
    bloom = pd.DataFrame(rows, columns=columns).astype(
        {"date": "datetime64[s]", "complete": "boolean"}
    )
    return World(
        bloom[bloom["open_flowers"] > 0].reset_index(drop=True),
        pd.DataFrame({"site": names, "latitude": 34.0}),
        weather,
        xr.DataArray(
            truth,
            dims=("plant", "site", "date"),
            coords={"plant": list(plants), "site": names, "date": dates},
        ),
        range(FIRST_YEAR, FIRST_YEAR + seasons),
    )


def summer(dates: pd.DatetimeIndex) -> np.ndarray:
    return (dates.day_of_year >= 152) & (dates.day_of_year <= 258)


def tell(world: World, sheet: pd.DataFrame | None = None, **given) -> xr.Dataset:
    dates = pd.DatetimeIndex(world.truth["date"].to_numpy())
    asked = dates[summer(dates) & (dates.year >= FIRST_YEAR)]
    surveys = world.bloom if sheet is None else sheet
    told = daily_bloom(
        surveys, given.get("plants"), world.sites, asked, given.get("weather", world.weather), 1
    )
    assert told is not None
    return told


def flowering_days_covered(world: World, told: xr.Dataset) -> xr.DataArray:
    """Whether the interval holds the truth; missing below a twentieth of the site's peak."""
    truth = world.truth.sum("plant").sel(date=told["date"])
    inside = (truth >= told["open_flowers_per_m2_low"]) & (
        truth <= told["open_flowers_per_m2_high"]
    )
    return inside.where(truth > 0.05 * truth.max("date"))


@pytest.fixture(scope="module")
def odd() -> tuple[World, xr.Dataset]:
    world = simulate(1, unsurveyed=(2, 5), odd_monsoon=(4,))
    return world, tell(world)


@dataclass(frozen=True)
class Studies:
    coverage: dict[tuple[str, str], float]  # share of site-days whose interval holds the truth
    errors: pd.DataFrame  # mean absolute log error of a season left out, a row a study


@pytest.fixture(scope="module")
def studies() -> Studies:
    """Twelve studies of six surveyed seasons, none of those on which scales were set."""
    shares: dict[tuple[str, str], list[float]] = {}
    errors = []
    for seed in range(50, 62):
        world = simulate(seed, unsurveyed=(2, 5))
        told = tell(world)
        truth = world.truth.sum("plant").sel(date=told["date"])
        low, high = told["open_flowers_per_m2_low"], told["open_flowers_per_m2_high"]
        out = told["date"].dt.year.isin([FIRST_YEAR + 2, FIRST_YEAR + 5])
        for days, covered in (
            ("all", (truth >= low) & (truth <= high)),
            ("flowering", flowering_days_covered(world, told)),
        ):
            shares.setdefault((days, "surveyed"), []).append(float(covered.sel(date=~out).mean()))
            shares.setdefault((days, "unsurveyed"), []).append(float(covered.sel(date=out).mean()))
        errors.append(
            (float(told["bloom_error_model"].mean()), float(told["bloom_error_mean_curve"].mean()))
        )
    return Studies(
        {key: float(np.mean(values)) for key, values in shares.items()},
        pd.DataFrame(errors, columns=["model", "mean curve"]),
    )


@pytest.mark.parametrize("days", ["all", "flowering"])
@pytest.mark.parametrize("seasons", ["surveyed", "unsurveyed"])
def test_intervals_cover_the_true_flowers(studies, days, seasons):
    assert 0.85 <= studies.coverage[days, seasons] <= 0.95


def test_a_season_left_out_is_told_better_than_by_the_mean_curve_in_every_study(studies):
    assert (studies.errors["model"] < studies.errors["mean curve"]).all()


def test_intervals_of_one_study_hold_most_true_flowers(odd):
    covered = flowering_days_covered(*odd)
    assert 0.78 <= float(covered.mean()) <= 0.99


def test_a_season_with_an_odd_monsoon_is_told_better_than_by_the_mean_curve(odd):
    _, told = odd
    season = told.sel(bloom_season=FIRST_YEAR + 4)
    assert float(season["bloom_error_model"]) < float(season["bloom_error_mean_curve"])
    assert float(told["bloom_error_model"].mean()) < float(told["bloom_error_mean_curve"].mean())


def test_a_winter_driven_bloom_is_not_laid_to_the_monsoon():
    told = tell(simulate(0, seasons=12, rain_matters=False))
    effect = told.sel(plant="penstemon")
    winter = effect.sel(bloom_driver="winter_precipitation")
    assert float(winter["bloom_driver_effect_low"]) > 0
    rain = told.sel(bloom_driver=["rain_30_days", "rain_31_90_days"])
    assert float(np.abs(rain["bloom_driver_effect"]).max()) < 0.15
    late = rain.sel(plant=["sage", "trumpet"])
    assert bool((late["bloom_driver_effect_low"] < 0).all())
    assert bool((late["bloom_driver_effect_high"] > 0).all())


def test_rain_that_waters_the_late_plants_is_found(odd):
    _, told = odd
    rain = told.sel(bloom_driver="rain_30_days", plant=["sage", "trumpet"])
    assert bool((rain["bloom_driver_effect_low"] > 0).all())


def test_the_bloom_index_is_low_in_a_failed_season(odd):
    world, told = odd
    truth = world.truth.sum("plant").sel(date=told["date"])
    late = told["date"].dt.month == 8
    by_year = told["bloom_index"].sel(date=late).groupby("date.year").mean(...)
    true_by_year = np.log(truth.sel(date=late).groupby("date.year").mean(...))
    assert np.corrcoef(by_year, true_by_year)[0, 1] > 0.8


def test_unsurveyed_days_and_seasons_are_wider(odd):
    _, told = odd
    width = np.log(told["open_flowers_per_m2_high"] / told["open_flowers_per_m2_low"])
    july = told["date"].dt.month == 7
    surveyed = told["season_surveyed"].isel(site=0, drop=True)
    assert float(width.sel(date=july & ~surveyed).mean()) > 1.3 * float(
        width.sel(date=july & surveyed).mean()
    )


def test_the_same_seed_gives_the_same_numbers():
    world = simulate(3, sites=2, seasons=3)
    first, second = tell(world), tell(world)
    xr.testing.assert_identical(first, second)


def test_missing_weather_widens_and_does_not_fail():
    world = simulate(3, sites=2, seasons=4, unsurveyed=(3,))
    full = tell(world)
    unmeasured = world.weather.where(world.weather["date"].dt.year < FIRST_YEAR + 3)
    partly, none = tell(world, weather=unmeasured), tell(world, weather=None)
    assert none.sizes["bloom_driver"] == 0
    last = full["date"].dt.year == FIRST_YEAR + 3
    for told in (full, partly, none):
        assert bool(np.isfinite(told["open_flowers_per_m2"]).all())
        assert bool((told["open_flowers_per_m2_low"] < told["open_flowers_per_m2_high"]).all())

    def width(told: xr.Dataset) -> float:
        return float(
            np.log(told["open_flowers_per_m2_high"] / told["open_flowers_per_m2_low"])
            .sel(date=last)
            .median()
        )

    assert width(partly) > width(full)
