"""How well bloom is told in a season left out, against the plain mean curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phenology.models.bloom import BloomModel
from phenology.models.bloom_laplace import Floats, Ints
from phenology.models.bloom_mean import mean_curve
from phenology.models.bloom_rows import BloomSurveys

FLOOR_FLOWERS = 0.5  # added to every count before its logarithm, so that none is told from one


@dataclass(frozen=True)
class SeasonErrors:
    """Mean absolute log error of a survey's flowers, by season left out.

    Attributes
    ----------
    season : ndarray of int
    surveys : ndarray of int
        Surveys of the season.
    model, mean_curve : ndarray
        Errors [log ratio].
    """

    season: Ints
    surveys: Ints
    model: Floats
    mean_curve: Floats


def leave_seasons_out(model: BloomModel, warmth: Floats, most: int) -> SeasonErrors:
    r"""Predict surveyed seasons, each from all others.

    .. math:: \frac1n \sum_i |\log \frac{\hat y_i + 1/2}{y_i + 1/2}|

    over the surveys of a season, flowers of all plants together. The spreads of effects are
    kept from the full fit; everything else is learned anew without the season.

    Parameters
    ----------
    model : BloomModel
        Fitted.
    warmth : ndarray, shape (plants, sites, seasons)
        Warmth before each plant's season, missing as 0.
    most : int
        Seasons left out, spread evenly over those surveyed.

    Returns
    -------
    SeasonErrors
        Empty with fewer than two surveyed seasons.
    """
    surveys = model.surveys_
    seasons = np.unique(surveys.season)
    if len(seasons) > most:
        seasons = seasons[np.linspace(0, len(seasons) - 1, most).round().astype(int)]
    if len(seasons) < 2:
        none = np.zeros(0)
        return SeasonErrors(none.astype(np.int64), none.astype(np.int64), none, none)
    rows = []
    for season in seasons:
        held = surveys.season == season
        if surveys.flowers[~held].sum() == 0:
            continue
        taught = surveys.where(~held)
        without = BloomModel(0, model.seed).fit(taught, like=model)
        told = _told_by_model(without, surveys.where(held), warmth)
        plain = _told_by_mean(taught, surveys.where(held))
        rows.append((season, *_errors(surveys.where(held), told, plain)))
    season_of, number, told_error, plain_error = (
        np.array(part) for part in zip(*rows, strict=True)
    )
    return SeasonErrors(season_of, number, told_error, plain_error)


def _told_by_model(model: BloomModel, held: BloomSurveys, warmth: Floats) -> Floats:
    expected = np.zeros(len(held.day))
    for site, season in {*zip(held.site.tolist(), held.season.tolist(), strict=True)}:
        rows = np.flatnonzero((held.site == site) & (held.season == season))
        middle = model.middle_density(
            site, season, held.day[rows], held.scaling[rows], warmth[:, site, season]
        )
        expected[rows] = middle[held.plant[rows], np.arange(len(rows))]
    return expected * held.area_m2


def _told_by_mean(taught: BloomSurveys, held: BloomSurveys) -> Floats:
    expected = np.zeros(len(held.day))
    density = taught.flowers / taught.area_m2
    for plant, site in {*zip(held.plant.tolist(), held.site.tolist(), strict=True)}:
        rows = (held.plant == plant) & (held.site == site)
        same = taught.plant == plant
        here = same & (taught.site == site)
        source = here if here.any() else same
        if source.any():
            expected[rows] = mean_curve(taught.day[source], density[source], held.day[rows])
    return expected * held.area_m2


def _errors(held: BloomSurveys, told: Floats, plain: Floats) -> tuple[int, float, float]:
    survey = held.site * 100_000 + np.round(held.day).astype(np.int64)
    _, number = np.unique(survey, return_inverse=True)
    counted = np.bincount(number, held.flowers) + FLOOR_FLOWERS

    def error(expected: Floats) -> float:
        flowers = np.bincount(number, expected) + FLOOR_FLOWERS
        return float(np.abs(np.log(flowers / counted)).mean())

    return len(counted), error(told), error(plain)
