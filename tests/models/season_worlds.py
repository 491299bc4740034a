"""Seasons of the model's own family that several tests look at."""

import numpy as np
import xarray as xr

from phenology.models.season_counts import SeasonCounts
from phenology.models.season_simulated import simulate_counts

SMALL_SCALES = {
    "passage_date_site": 2.0,
    "passage_date_year": 3.0,
    "passage_date_site_year": 1.0,
    "level_site": 0.4,
    "level_year": 0.3,
    "level_site_year": 0.3,
    "level_group_site_year": 0.2,
    "dispersion": 5.0,
}
TRAIT_DISTANCE = 3.0  # of local from passage birds [sd of the trait]
MIXED_CURVES = np.array([[1.0, -40.0, 12.0, 1.4, 1.6, 1.5, 8.0, 2.3, 0.0]])


def mixed_study(seed: int) -> tuple[SeasonCounts, xr.Dataset]:
    """One site and three seasons of a mixed species, every third day, with a trait."""
    return simulate_counts(
        np.random.default_rng(seed),
        np.broadcast_to(np.arange(91) % 3 == 0, (1, 3, 91)),
        groups=1,
        role="mixed",
        first_day=180.0,
        last_day=270.0,
        fixed=SMALL_SCALES,
        group_coefficients=MIXED_CURVES,
        trait_distance=TRAIT_DISTANCE,
    )
