"""Daily bloom and nectar on (site, date), from surveys on some days."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.bloom_surveys import count_flowers, plant_sugar, season_and_day, season_origin
from phenology.models.bloom_mean import mean_curve
from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

SEASON_SD = 0.8  # spread between seasons on the log scale, before any is known
SURVEY_SD = 0.4  # how far one survey lies from its season's curve, log scale
FLOOR = 0.5  # flowers added to a count before its logarithm
DRAWS = 200


def daily_bloom(  # noqa: PLR0917 — the sheets in order
    bloom: pd.DataFrame | None,
    plants: pd.DataFrame | None,
    sites: pd.DataFrame,
    dates: pd.DatetimeIndex,
    weather: xr.Dataset | None,  # noqa: ARG001
    seed: int,
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
        Daily weather on (site, date).
    seed : int
        Seeds the draws.

    Returns
    -------
    Dataset or None
        On (site, date), each with `_low` and `_high` (90 %): `open_flowers_per_m2` [1/m2],
        `nectar` [mg sugar/m2/day; 1 if relative], `bloom_index` [log ratio]; `surveyed`. The
        attribute `nectar_is` is "absolute" or "relative", `notes` what a reader must know.
        None without surveys.
    """
    if bloom is None or bloom.empty:
        return None
    counted = count_flowers(bloom)
    names = sorted(counted["plant"].unique())
    sugar, _ = plant_sugar(plants, names)
    weight = sugar["nectar_mg_per_flower_day"] if sugar is not None else pd.Series(1.0, index=names)
    rng = np.random.default_rng(seed)
    origin = season_origin(counted)
    season, day = season_and_day(pd.DatetimeIndex(counted["date"]), origin)
    counted = counted.assign(
        season=season, day=day, density=counted["flowers"] / counted["area_m2"]
    )
    asked_season, asked_day = season_and_day(dates, origin)
    names_of_sites = sites["site"].to_numpy(dtype=str)
    shape = (DRAWS, len(names_of_sites), len(dates))
    flowers, nectar, normal = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for plant in names:
        rows = counted[counted["plant"] == plant]
        for number, site in enumerate(names_of_sites):
            here = rows[rows["site"] == site]
            taught = here if len(here) else rows
            curve = mean_curve(taught["day"], taught["density"], asked_day)
            scale = _season_scale(here, taught, asked_season, rng)
            flowers[:, number] += scale * curve
            nectar[:, number] += scale * curve * weight[plant]
            normal[:, number] += curve * weight[plant]
    with np.errstate(divide="ignore", invalid="ignore"):
        index = np.log(nectar) - np.log(normal)
    surveyed = _surveyed(counted, names_of_sites, dates)
    out = xr.Dataset(coords={"site": names_of_sites, "date": dates})
    for name, draws in (
        ("open_flowers_per_m2", flowers),
        ("nectar", nectar),
        ("bloom_index", index),
    ):
        low, middle, high = np.quantile(draws, [LOW_QUANTILE, 0.5, HIGH_QUANTILE], axis=0)
        for suffix, values in (("", middle), ("_low", low), ("_high", high)):
            out[name + suffix] = (("site", "date"), values)
    out["surveyed"] = (("site", "date"), surveyed)
    out.attrs["nectar_is"] = "relative" if sugar is None else "absolute"
    return out


def _season_scale(
    here: pd.DataFrame,
    taught: pd.DataFrame,
    asked_season: npt.NDArray[np.int64],
    rng: np.random.Generator,
) -> npt.NDArray[np.float64]:
    """Draws of each season's flowers over the mean curve's, shrunk to one where little is known."""
    scale = np.zeros((DRAWS, len(asked_season)))
    for season in np.unique(asked_season):
        rows = here[here["season"] == season]
        curve = mean_curve(taught["day"], taught["density"], rows["day"]) * rows["area_m2"]
        ratio = np.log((rows["flowers"] + FLOOR) / (curve + FLOOR))
        precision = SEASON_SD**-2 + len(rows) * SURVEY_SD**-2
        mean = ratio.sum() * SURVEY_SD**-2 / precision
        draws = np.exp(rng.normal(mean, precision**-0.5, DRAWS))
        scale[:, asked_season == season] = draws[:, None]
    return scale


def _surveyed(
    counted: pd.DataFrame, sites: npt.NDArray[np.str_], dates: pd.DatetimeIndex
) -> npt.NDArray[np.bool_]:
    marked = np.zeros((len(sites), len(dates)), dtype=bool)
    rows = pd.Index(sites).get_indexer(pd.Index(counted["site"]))
    columns = dates.get_indexer(pd.DatetimeIndex(counted["date"]))
    inside = (rows >= 0) & (columns >= 0)
    marked[rows[inside], columns[inside]] = True
    return marked
