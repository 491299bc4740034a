"""Daily bloom and nectar on (site, date), from surveys on some days of some seasons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.bloom_drivers import BloomDrivers, find_drivers
from phenology.bloom_surveys import count_flowers, plant_sugar, season_and_day, season_origin
from phenology.errors import StudyError
from phenology.models.bloom import BloomModel
from phenology.models.bloom_rows import BloomSurveys
from phenology.models.bloom_skill import leave_seasons_out
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

DRAWS = 200
SEASONS_LEFT_OUT = 6  # each is a fit of its own
BLOOM_DRAWS = ("nectar_draws", "bloom_index_draws")
ENOUGH_SEASONS = 3  # surveyed seasons from which a site's normal is its own
NORMAL_FLOOR = 0.01  # of the normal's peak, added to bloom and normal before their ratio
NONE_COUNTED_HIGH = 3.0  # flowers: with none counted, the 95 % limit of a Poisson mean
LOG_RANGE_SD = 3.29  # standard deviations between the ends of a 90 % range


def bloom_narrowing(bloom: pd.DataFrame | None, plants: pd.DataFrame | None) -> tuple[str, ...]:
    """One sentence for each absent sheet: what it costs the answers.

    Examples
    --------
    >>> bloom_narrowing(None, None)[0]
    'No bloom surveys: bloom and nectar are not told, and bait is not corrected for bloom.'
    """
    if bloom is None or bloom.empty:
        return (
            "No bloom surveys: bloom and nectar are not told, and bait is not corrected for bloom.",
        )
    if plants is None or plants.empty:
        return ("No plants sheet: nectar is relative, every open flower counting the same.",)
    return ()


def daily_bloom(
    bloom: pd.DataFrame | None,
    plants: pd.DataFrame | None,
    sites: pd.DataFrame,
    dates: pd.DatetimeIndex,
    weather: xr.Dataset | None,
    seed: int,
    *,
    seasons_left_out: int = SEASONS_LEFT_OUT,
) -> xr.Dataset | None:
    """Estimate open flowers, nectar and the bloom index for every site and day.

    Parameters
    ----------
    bloom : DataFrame or None
        Clean rows of the bloom sheet.
    plants : DataFrame or None
        Clean rows of the plants sheet; without it nectar is relative.
    sites : DataFrame
        Clean rows of the sites sheet.
    dates : DatetimeIndex
        Days asked for.
    weather : Dataset or None
        Daily weather on (site, date), the winters before included where they are known.
    seed : int
        Seeds the draws.
    seasons_left_out : int
        Most seasons told once more from all others, to show what the estimate is worth.

    Returns
    -------
    Dataset or None
        On (site, date), each with `_low` and `_high` (90 %): `open_flowers_per_m2` [1/m2],
        `nectar` [mg sugar/m2/day; flowers/m2 if relative], `bloom_index` [log ratio]; and
        `surveyed`, `season_surveyed`; on (draw, site, date) `nectar_draws` and
        `bloom_index_draws`. On (plant, site, date): `plant_flowers_per_m2` with its
        range. On (plant, bloom_driver): `bloom_driver_effect`, change of log flowers by
        a standard deviation of the driver; on plant: `bloom_warmth_shift_days`. On site:
        `seasons_surveyed`, `normal_basis`. On bloom_season: `bloom_error_model` and
        `bloom_error_mean_curve`, mean absolute log errors with the season left out. `nectar`
        has the attribute `nectar_is` ("absolute" or "relative"), `open_flowers_per_m2` the
        attribute `notes` (a sentence a line). None without surveys.

    Raises
    ------
    StudyError
        If the model finds no fit to the surveys.

    Notes
    -----
    The index adds one percent of the normal's peak to both sides of the ratio, so that it
    goes to 0, not to noise, on days when nothing flowers in any year. An interval of flowers
    that begins under one flower on the area usually surveyed begins at 0: no survey could tell
    so few from none, and the tails of a season are steeper than any model of it. Do not believe
    days far outside the surveyed part of the year.
    """
    if bloom is None or bloom.empty:
        return None
    counted = count_flowers(bloom)
    site_names = sites["site"].to_numpy(dtype=str)
    counted = counted[counted["site"].isin(site_names)]
    if counted.empty:
        return None
    names = sorted(counted["plant"].unique())
    open_of = counted.groupby("plant")["flowers"].sum()
    present = [name for name in names if open_of[name] > 0]
    sugar, borrowed_sugar = plant_sugar(plants, names)
    notes = [*bloom_narrowing(bloom, plants), *_sugar_notes(plants, sugar, borrowed_sugar)]
    if present:
        absent = [name for name in names if name not in present]
        notes += [f"Never counted in flower, taken as none: {', '.join(absent)}."] if absent else []
        out = _fit_and_tell(counted, present, sites, dates, weather, sugar, seed, seasons_left_out)
        notes += _normal_notes(out)
    else:
        out = _nothing_flowers(counted, site_names, dates, sugar)
        notes.append("No open flower was ever counted: there is no normal to compare with.")
    out["surveyed"] = (("site", "date"), _mark(counted, site_names, dates))
    _describe(out, "relative" if sugar is None else "absolute", notes)
    return out


def _sugar_notes(
    plants: pd.DataFrame | None, sugar: pd.DataFrame | None, borrowed: list[str]
) -> list[str]:
    if plants is None or plants.empty:
        return []
    if sugar is None:
        return [
            "The plants sheet names none of the plants surveyed: nectar is relative, every open "
            "flower counting the same."
        ]
    if borrowed:
        return [
            f"No sugar is given for {', '.join(borrowed)}: the median of the other plants is "
            "used, with the whole of their range."
        ]
    return []


def _fit_and_tell(
    counted: pd.DataFrame,
    plants: list[str],
    sites: pd.DataFrame,
    dates: pd.DatetimeIndex,
    weather: xr.Dataset | None,
    sugar: pd.DataFrame | None,
    seed: int,
    seasons_left_out: int,
) -> xr.Dataset:
    """Fit the plants that were seen in flower and tell every site and day."""
    prepared = _prepare(counted, plants, sites, dates, weather)
    model = BloomModel(DRAWS, seed).fit(prepared.surveys)
    if not model.settled_:
        raise StudyError(
            "The bloom model found no settled fit to the bloom surveys.",
            "Look for surveys whose flowers or area were entered in another unit.",
        )
    weight = _draw_sugar(sugar, plants, seed)
    out = _tell_days(model, prepared, sites["site"].to_numpy(dtype=str), dates, weight)
    return out.merge(_tell_model(model, prepared, seasons_left_out))


@dataclass(frozen=True)
class _Prepared:
    """Surveys as arrays, and the drivers of every day asked for."""

    surveys: BloomSurveys
    seen_from_per_m2: float  # one flower on the area usually surveyed
    plants: list[str]
    season_of_date: Ints  # codes of `seasons`
    day_of_date: Floats
    seasons: Ints
    drivers: BloomDrivers


def _prepare(
    counted: pd.DataFrame,
    plants: list[str],
    sites: pd.DataFrame,
    dates: pd.DatetimeIndex,
    weather: xr.Dataset | None,
) -> _Prepared:
    counted = counted[counted["plant"].isin(plants)]
    site_names = sites["site"].to_numpy(dtype=str)
    origin = season_origin(counted)
    survey_dates = pd.DatetimeIndex(counted["date"])
    season, day = season_and_day(survey_dates, origin)
    asked_season, asked_day = season_and_day(dates, origin)
    seasons = np.unique(np.concatenate([season, asked_season]))
    plant = pd.Index(plants).get_indexer(pd.Index(counted["plant"]))
    site = pd.Index(site_names).get_indexer(pd.Index(counted["site"]))
    flowers = counted["flowers"].to_numpy(dtype=float)
    area_m2 = counted["area_m2"].to_numpy(dtype=float)
    plant_day = np.array(
        [np.average(day[plant == one], weights=(flowers / area_m2)[plant == one])
         for one in range(len(plants))]
    )  # fmt: skip
    north = bool(sites["latitude"].mean() >= 0) if "latitude" in sites else True
    every = dates.union(survey_dates.unique()).sort_values()
    drivers = find_drivers(
        weather, site_names, every, seasons, plant_day, winter=origin == 1 and north
    )
    at_survey = drivers.scaling[site, every.get_indexer(survey_dates)]
    season_code = np.searchsorted(seasons, season)
    surveys = BloomSurveys(
        plant=plant,
        site=site,
        season=season_code,
        day=day,
        flowers=flowers,
        area_m2=area_m2,
        scaling=np.nan_to_num(at_survey),
        warmth=np.nan_to_num(drivers.warmth[plant, site, season_code]),
        plants=len(plants),
        sites=len(site_names),
        seasons=len(seasons),
    )
    asked = BloomDrivers(
        drivers.names, drivers.scaling[:, every.get_indexer(dates)], drivers.warmth
    )
    codes = np.searchsorted(seasons, asked_season)
    seen_from = 1 / float(np.median(area_m2))
    return _Prepared(surveys, seen_from, plants, codes, asked_day, seasons, asked)


def _draw_sugar(sugar: pd.DataFrame | None, plants: list[str], seed: int) -> Floats:
    """Draws of sugar by plant, shape (draws, plants), log-normal over its range; 1 if unknown."""
    if sugar is None:
        return np.ones((DRAWS, len(plants)))
    own = sugar.loc[plants]
    tiny = np.finfo(float).tiny
    middle, low, high = (
        np.log(np.maximum(own[column].to_numpy(), tiny))
        for column in ("nectar_mg_per_flower_day", "low", "high")
    )
    noise = np.random.default_rng(seed).standard_normal((DRAWS, len(plants)))
    return np.asarray(np.exp(middle + (high - low) / LOG_RANGE_SD * noise))


def _tell_days(
    model: BloomModel,
    prepared: _Prepared,
    site_names: npt.NDArray[np.str_],
    dates: pd.DatetimeIndex,
    sugar: Floats,
) -> xr.Dataset:
    """Summarise the draws of every site and day, one site and season at a time."""
    shape = (len(site_names), len(dates))
    numbers = {
        name: np.empty((3, *shape)) for name in ("open_flowers_per_m2", "nectar", "bloom_index")
    }
    by_plant = np.empty((3, len(prepared.plants), *shape))
    kept = {name: np.empty((DRAWS, *shape), dtype="float32") for name in ("nectar", "bloom_index")}
    levels = [0.5, LOW_QUANTILE, HIGH_QUANTILE]
    season_surveyed = np.zeros(shape, dtype=bool)
    surveys = prepared.surveys
    for site in range(shape[0]):
        year = np.union1d(np.arange(1.0, 367.0), prepared.day_of_date)
        normal_year = np.einsum("npd,np->nd", model.normal_density(site, year), sugar)
        floor = NORMAL_FLOOR * np.median(normal_year, axis=0).max()
        for season in np.unique(prepared.season_of_date):
            days = np.flatnonzero(prepared.season_of_date == season)
            scaling, warmth = _drivers_of(prepared.drivers, site, season, days, model.seed)
            day = prepared.day_of_date[days]
            density = model.density(site, season, day, scaling, warmth)
            nectar = np.einsum("npd,np->nd", density, sugar)
            normal = normal_year[:, np.searchsorted(year, day)]
            index = np.log((nectar + floor) / (normal + floor))
            for name, draws in (
                ("open_flowers_per_m2", density.sum(axis=1)),
                ("nectar", nectar),
                ("bloom_index", index),
            ):
                numbers[name][:, site, days] = np.quantile(draws, levels, axis=0)
                if name in kept:
                    kept[name][:, site, days] = draws
            by_plant[:, :, site, days] = np.quantile(density, levels, axis=0)
            here = (surveys.site == site) & (surveys.season == season)
            season_surveyed[site, days] = here.any()
    unseen = numbers["open_flowers_per_m2"][1] < prepared.seen_from_per_m2
    for name in ("open_flowers_per_m2", "nectar"):
        numbers[name][1][unseen] = 0.0
    by_plant[1][by_plant[1] < prepared.seen_from_per_m2] = 0.0
    out = xr.Dataset(coords={"site": site_names, "date": dates, "plant": prepared.plants})
    for rank, suffix in enumerate(("", "_low", "_high")):
        for name, values in numbers.items():
            out[name + suffix] = (("site", "date"), values[rank])
        out[f"plant_flowers_per_m2{suffix}"] = (("plant", "site", "date"), by_plant[rank])
    for name, draws_of in kept.items():
        out[f"{name}_draws"] = (("draw", "site", "date"), draws_of)
    out["season_surveyed"] = (("site", "date"), season_surveyed)
    return out


def _drivers_of(
    drivers: BloomDrivers, site: int, season: int, days: Ints, seed: int
) -> tuple[Floats, Floats]:
    """Drivers of a site's season; where the weather is missing, draws of what it might be."""
    scaling, warmth = drivers.scaling[site, days], drivers.warmth[:, site, season]
    if np.isfinite(scaling).all() and np.isfinite(warmth).all():
        return scaling, warmth
    rng = np.random.default_rng([seed, site, season, 1])
    guess = rng.standard_normal((DRAWS, 1, scaling.shape[1]))
    guess_warmth = rng.standard_normal((DRAWS, 1))
    return (
        np.where(np.isfinite(scaling), scaling, guess),
        np.where(np.isfinite(warmth), warmth, guess_warmth),
    )


def _tell_model(model: BloomModel, prepared: _Prepared, seasons_left_out: int) -> xr.Dataset:
    """Drivers' effects, how the normal is known, and errors with a season left out."""
    surveys = prepared.surveys
    out = xr.Dataset(
        coords={
            "plant": prepared.plants,
            "bloom_driver": np.array(prepared.drivers.names, dtype=str),
        }
    )
    levels = [0.5, LOW_QUANTILE, HIGH_QUANTILE]
    effects = np.quantile(model.driver_effects(), levels, axis=0)
    shifts = np.quantile(model.warmth_shifts(), levels, axis=0)
    for rank, suffix in enumerate(("", "_low", "_high")):
        out[f"bloom_driver_effect{suffix}"] = (("plant", "bloom_driver"), effects[rank])
        out[f"bloom_warmth_shift_days{suffix}"] = ("plant", shifts[rank])
    seasons = np.array(
        [len(np.unique(surveys.season[surveys.site == site])) for site in range(surveys.sites)]
    )
    elsewhere = len({*zip(surveys.site.tolist(), surveys.season.tolist(), strict=True)})
    lent = "borrowed" if elsewhere > 1 else "assumed"
    out["seasons_surveyed"] = ("site", seasons)
    out["normal_basis"] = ("site", np.where(seasons >= ENOUGH_SEASONS, "measured", lent))
    warmth = np.nan_to_num(prepared.drivers.warmth)
    errors = leave_seasons_out(model, warmth, seasons_left_out)
    out["bloom_error_model"] = ("bloom_season", errors.model)
    out["bloom_error_mean_curve"] = ("bloom_season", errors.mean_curve)
    out["bloom_surveys"] = ("bloom_season", errors.surveys)
    return out.assign_coords(bloom_season=prepared.seasons[errors.season])


def _normal_notes(out: xr.Dataset) -> list[str]:
    notes = []
    short = out["site"].to_numpy()[out["seasons_surveyed"].to_numpy() < ENOUGH_SEASONS]
    if len(short):
        notes.append(
            f"Fewer than {ENOUGH_SEASONS} surveyed seasons at {', '.join(short)}: what is normal "
            "there is borrowed from other sites and seasons, or assumed where there are none."
        )
    if out.sizes["bloom_season"] < 2:
        notes.append(
            "Surveys in one season only: how seasons differ is assumed, and no season can be "
            "left out to try the estimate."
        )
    return notes


def _nothing_flowers(
    counted: pd.DataFrame,
    site_names: npt.NDArray[np.str_],
    dates: pd.DatetimeIndex,
    sugar: pd.DataFrame | None,
) -> xr.Dataset:
    """Zero, with what a survey could have missed as its high end; no index."""
    shape = (len(site_names), len(dates))
    high = NONE_COUNTED_HIGH / float(counted.groupby(["site", "date"])["area_m2"].max().median())
    per_flower = 1.0 if sugar is None else float(sugar["high"].max())
    out = xr.Dataset(coords={"site": site_names, "date": dates})
    for suffix, flowers in (("", 0.0), ("_low", 0.0), ("_high", high)):
        out[f"open_flowers_per_m2{suffix}"] = (("site", "date"), np.full(shape, flowers))
        out[f"nectar{suffix}"] = (("site", "date"), np.full(shape, flowers * per_flower))
        out[f"bloom_index{suffix}"] = (("site", "date"), np.full(shape, np.nan))
    return out


def _mark(
    counted: pd.DataFrame, sites: npt.NDArray[np.str_], dates: pd.DatetimeIndex
) -> npt.NDArray[np.bool_]:
    marked = np.zeros((len(sites), len(dates)), dtype=bool)
    rows = pd.Index(sites).get_indexer(pd.Index(counted["site"]))
    columns = dates.get_indexer(pd.DatetimeIndex(counted["date"]))
    inside = (rows >= 0) & (columns >= 0)
    marked[rows[inside], columns[inside]] = True
    return marked


def _describe(out: xr.Dataset, nectar_is: str, notes: list[str]) -> None:
    nectar_unit = "mg m-2 day-1" if nectar_is == "absolute" else "m-2"
    for name, unit, long_name in (
        ("open_flowers_per_m2", "m-2", "open flowers by area"),
        ("nectar", nectar_unit, "sugar on offer by area and day"),
        ("bloom_index", "1", "log of bloom over this site's normal for the day"),
    ):
        for suffix in ("", "_low", "_high"):
            out[name + suffix].attrs.update(units=unit, long_name=long_name)
    out["surveyed"].attrs["long_name"] = "whether flowers were counted that day"
    out["nectar"].attrs["nectar_is"] = nectar_is
    out["open_flowers_per_m2"].attrs["notes"] = "\n".join(notes)
