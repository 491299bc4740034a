"""What may move a season: told where known, missing where not, left out where it says nothing."""

import numpy as np
import pandas as pd
import xarray as xr

from phenology.assess.season_drivers import season_drivers
from phenology.seasons import Window

SITES = ("fork", "ridge")
YEARS = [2031, 2032, 2033, 2034]
WINDOW = Window("", 182, 243)


def _site_days() -> xr.Dataset:
    dates = pd.date_range("2031-01-01", "2034-12-31")
    shape = (len(SITES), len(dates))
    index = np.broadcast_to(dates.year.to_numpy() - 2032.0, shape).copy()
    index[:, dates.month < 6] = 50.0  # outside the window
    surveyed = np.ones(shape, bool)
    surveyed[1, dates.year == 2033] = False
    return xr.Dataset(
        {
            "bloom_index": (("site", "date"), index),
            "season_surveyed": (("site", "date"), surveyed),
        },
        coords={"site": list(SITES), "date": dates},
    )


def test_bloom_is_that_of_the_window_and_missing_without_a_survey() -> None:
    bloom = season_drivers(_site_days(), WINDOW, SITES, YEARS, None)["bloom"]
    np.testing.assert_allclose(bloom, [[-1, 0, 1, 2], [-1, 0, np.nan, 2]])


def test_the_onset_is_told_from_the_sites_own_mean() -> None:
    years = pd.DataFrame(
        {
            "site": np.repeat(SITES, 4),
            "season": YEARS * 2,
            "onset_day": [180.0, 190, 200, 190, 170, np.nan, 190, 180],
        }
    )
    found = season_drivers(_site_days(), WINDOW, SITES, YEARS, years)
    assert list(found) == ["bloom", "monsoon_onset", "year"]  # the most important first
    expected = [[-10, 0, 10, 0], [-10, np.nan, 10, 0]]
    np.testing.assert_allclose(found["monsoon_onset"], expected)


def test_what_is_constant_or_known_in_few_seasons_is_left_out() -> None:
    few = pd.DataFrame({"site": "fork", "season": YEARS[:2], "onset_day": [180.0, 190.0]})
    assert "monsoon_onset" not in season_drivers(_site_days(), WINDOW, SITES, YEARS, few)
    same = pd.DataFrame({"site": "fork", "season": YEARS, "onset_day": 185.0})
    assert "monsoon_onset" not in season_drivers(_site_days(), WINDOW, SITES, YEARS, same)
    assert season_drivers(_site_days(), WINDOW, SITES, YEARS[:3], None) == {}
