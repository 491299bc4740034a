"""Bait, both ways: birds come to baited traps when flowers fail, or do not come at all.

Studies are drawn here from plain formulas, with one poor year of bloom and the ordinary decline of
nectar through the season; the truth is known. Shifts of numbers follow bloom, or the share caught
does, never both.
"""

from typing import NamedTuple

import numpy as np
import pytest

from phenology.models.season import SeasonModel
from phenology.models.season_counts import BAITED_TRAP, UNBAITED_NET, SeasonCounts
from phenology.models.season_design import driver_priors
from phenology.models.season_predictors import COVARIATE_PRIOR, DRIVER_PRIOR, LEVELS, PEAK, SHIFTED

SITES, YEARS, POOR_YEAR = 2, 8, 5
DAYS = np.arange(180.0, 271.0, 6)  # paired or not, the rows share one compiled program
MIDDLE, PEAK_DAY, WIDTH_DAYS = 225.0, 222.0, 9.0
DECLINE_A_DAY = 0.02  # of log nectar
NUMBERS_SD, PEAK_SD_DAYS = 0.15, 2.0
DISPERSION = 6.0
CONSTANT_NUMBERS, NUMBERS_FOLLOW_BLOOM = (0.0, -0.6), (0.6, 0.0)  # slopes of numbers, of catches


class Study(NamedTuple):
    """Counts and what is true of them, by site and year."""

    counts: SeasonCounts
    index: np.ndarray
    departure_day: np.ndarray
    bloom: np.ndarray  # log nectar over the site's usual


def _study(seed: int, slopes: tuple[float, float], paired: bool) -> Study:
    rng = np.random.default_rng(seed)
    of_numbers, of_catches = slopes
    bloom = rng.normal(0, 0.25, YEARS) + rng.normal(0, 0.15, (SITES, YEARS))
    bloom[:, POOR_YEAR] -= 1.3
    bloom -= bloom.mean(1, keepdims=True)
    log_index = of_numbers * bloom + rng.normal(0, NUMBERS_SD, (SITES, YEARS))
    peak = PEAK_DAY + rng.normal(0, PEAK_SD_DAYS, (SITES, YEARS))
    methods = [BAITED_TRAP, UNBAITED_NET] if paired else [BAITED_TRAP]
    site, year, at, method = (
        part.ravel()
        for part in np.meshgrid(
            np.arange(SITES), np.arange(YEARS), np.arange(len(DAYS)), methods, indexing="ij"
        )
    )
    day = DAYS[at]
    log_nectar = bloom[site, year] - DECLINE_A_DAY * (day - MIDDLE)
    log_mean = (
        np.log(8.0)
        + log_index[site, year]
        - ((day - peak[site, year]) / WIDTH_DAYS) ** 2 / 2
        + np.where(method == BAITED_TRAP, of_catches * log_nectar, -0.5)
    )
    mean = np.exp(log_mean)
    counts = SeasonCounts(
        count=rng.poisson(rng.gamma(DISPERSION, mean / DISPERSION)),
        group=np.zeros(len(day), int),
        site=site,
        season=year,
        day=day,
        groups=("Selasphorus rufus",),
        sites=tuple(f"site {number}" for number in range(SITES)),
        seasons=tuple(str(2031 + number) for number in range(YEARS)),
        roles=("passage",),
        first_day=180.0,
        last_day=270.0,
        method=method,
        log_nectar=log_nectar,
        drivers={"bloom": bloom},
    )
    return Study(counts, np.exp(log_index), peak + 1.645 * WIDTH_DAYS, bloom)


def _fit(study: Study, nectar_prior: tuple[float, float] | None = None) -> SeasonModel:
    return SeasonModel(draws=400, points=64, method="laplace", nectar_prior=nectar_prior).fit(
        study.counts
    )


def _interval(drawn) -> np.ndarray:
    """5 %, 50 % and 95 % quantiles over draws, first axis."""
    return drawn.quantile([0.05, 0.5, 0.95], "draw").to_numpy()


def _narrowest(study: Study) -> float:
    """Width of log numbers in the poor year if catches told the sum of both slopes exactly.

    Of two normal slopes of known sum, each keeps the variance 1/(1/σ₁² + 1/σ₂²).
    """
    catches = COVARIATE_PRIOR["nectar_at_bait"][1]
    numbers = DRIVER_PRIOR["passage_level"] / study.bloom.std()
    sd = (catches**-2 + numbers**-2) ** -0.5
    return float(2 * 1.645 * sd * np.abs(study.bloom[:, POOR_YEAR]).mean())


def _baited_only(seeds: range, slopes: tuple[float, float]) -> dict[str, float]:
    """Coverage of numbers and departure, lateness over its band, width over the narrowest."""
    inside, departed, late, width = [], [], [], []
    for seed in seeds:
        study = _study(seed, slopes, paired=False)
        draws = _fit(study).draws_
        low, _, high = _interval(draws["capture_index"].isel(group=0))
        inside.append(((low <= study.index) & (study.index <= high)).mean())
        poor = np.log(high[:, POOR_YEAR] / low[:, POOR_YEAR]).mean()
        width.append(poor / _narrowest(study))
        first, middle, last = _interval(draws["departure_day"].sel(role="passage").isel(group=0))
        departed.append(((first <= study.departure_day) & (study.departure_day <= last)).mean())
        late.append((middle - study.departure_day).mean() / ((last - first) / 2).mean())
    found = {
        "coverage of numbers": float(np.mean(inside)),
        "coverage of departure": float(np.mean(departed)),
        "lateness over half the band": float(np.mean(late)),
        "width over the narrowest": float(np.min(width)),
    }
    print(slopes, {name: round(value, 2) for name, value in found.items()})
    return found


def _holds(found: dict[str, float]) -> None:
    assert found["coverage of numbers"] >= 0.85
    assert found["coverage of departure"] >= 0.85
    assert abs(found["lateness over half the band"]) < 1
    assert found["width over the narrowest"] > 0.9  # of 400 draws


@pytest.mark.parametrize("slopes", [CONSTANT_NUMBERS, NUMBERS_FOLLOW_BLOOM])
def test_baited_captures_alone_leave_numbers_as_open_as_the_prior(slopes) -> None:
    _holds(_baited_only(range(1, 4), slopes))


@pytest.mark.slow
@pytest.mark.parametrize("slopes", [CONSTANT_NUMBERS, NUMBERS_FOLLOW_BLOOM])
def test_baited_captures_alone_leave_numbers_open_in_many_studies(slopes) -> None:
    _holds(_baited_only(range(101, 121), slopes))


def _paired(seeds: range, slopes: tuple[float, float]) -> None:
    """With unbaited nets beside the traps both slopes come back, better known than before."""
    told = []
    for seed in seeds:
        draws = _fit(_study(seed, slopes, paired=True)).draws_
        of_numbers = draws["driver_effect"].sel(driver="bloom", moved="passage_level")
        of_catches = draws["catchability"].sel(covariate="nectar_at_bait")
        told.append([_interval(of_numbers), _interval(of_catches)])
    low, middle, high = np.moveaxis(np.array(told), -1, 0)  # study, slope
    coverage = ((low <= slopes) & (slopes <= high)).mean(0)
    print("true", slopes, "told", middle.mean(0).round(2), "coverage", coverage.round(2))
    assert coverage.mean() >= 0.75
    assert (np.abs(middle.mean(0) - slopes) < 0.15).all()
    assert ((high - low)[:, 1] < 2 * 1.645 * COVARIATE_PRIOR["nectar_at_bait"][1]).all()


@pytest.mark.parametrize("slopes", [CONSTANT_NUMBERS, NUMBERS_FOLLOW_BLOOM])
def test_unbaited_nets_beside_the_traps_bring_both_slopes_back(slopes) -> None:
    _paired(range(1, 13), slopes)  # of four the mean may be as far off by chance


@pytest.mark.slow
@pytest.mark.parametrize("slopes", [CONSTANT_NUMBERS, NUMBERS_FOLLOW_BLOOM])
def test_unbaited_nets_bring_both_slopes_back_in_many_studies(slopes) -> None:
    _paired(range(101, 121), slopes)


def test_numbers_stay_free_to_follow_bloom_in_few_years() -> None:
    """Else a short study would lay every poor year's catch to the bait."""
    counts = _study(1, CONSTANT_NUMBERS, paired=False).counts
    few = counts.taken(counts.season < 3)
    spread = dict(zip(SHIFTED, driver_priors(few)[0], strict=True))
    assert [spread[level] for level in LEVELS] == [DRIVER_PRIOR["passage_level"]] * 2
    assert spread[PEAK] < DRIVER_PRIOR["peak"]


def test_without_the_term_a_poor_bloom_looks_like_a_boom() -> None:
    """Numbers are constant; baited traps catch more where flowers fail."""
    study = _study(1, CONSTANT_NUMBERS, paired=False)
    told = {}
    for name, prior in (("with the term", None), ("without", (0.0, 1e-6))):
        index = _fit(study, prior).draws_["capture_index"].isel(group=0, season=POOR_YEAR)
        told[name] = _interval(index.mean("site"))
        print(name, told[name].round(2), "true", study.index[:, POOR_YEAR].mean().round(2))
    true = study.index[:, POOR_YEAR].mean()
    assert told["without"][0] > true
    assert told["with the term"][0] < true < told["with the term"][2]
