"""Sunrise against an almanac, and clocks that run far from the sun."""

import numpy as np
import pandas as pd
import pytest

from phenology.sun import hours_since_sunrise, sunrise_hours

SOLSTICE = pd.DatetimeIndex(["2031-06-21"])


def test_sunrise_equals_the_almanacs_rule_for_the_hour_angle() -> None:
    """cos H = (sin -0.833 - sin lat sin dec) / (cos lat cos dec); Meeus, Astronomical Algorithms,
    ch. 15 (from memory), at the declination of the solstice, 23.44; equation of time -1.8 min."""
    latitude, declination = np.deg2rad(40.0), np.deg2rad(23.44)
    cosine = np.sin(np.deg2rad(-0.833)) - np.sin(latitude) * np.sin(declination)
    half_day = np.rad2deg(np.arccos(cosine / np.cos(latitude) / np.cos(declination))) / 15
    ours = sunrise_hours(SOLSTICE, 40.0, -105.0, "Etc/GMT+7")[0]
    assert ours == pytest.approx(12 + 1.8 / 60 - half_day, abs=2 / 60)


@pytest.mark.parametrize("behind", range(-12, 13))
def test_a_clock_set_otherwise_moves_sunrise_by_as_much(behind: int) -> None:
    zone = f"Etc/GMT{behind:+d}"
    right = sunrise_hours(SOLSTICE, 40.0, -105.0, "Etc/GMT+7")[0]
    moved = sunrise_hours(SOLSTICE, 40.0, -105.0, zone)[0]
    assert -12 <= moved < 12
    apart = (moved - right - (7 - behind) + 12) % 24 - 12
    assert apart == pytest.approx(0, abs=2 / 60)  # the sunrise of a day before or after


def test_birds_before_and_after_sunrise_on_its_eve_are_hours_apart() -> None:
    sites = pd.DataFrame({"site": ["fork"], "latitude": 40.0, "longitude": -12.0,
                          "timezone": "Etc/GMT+7"})  # fmt: skip
    birds = pd.DataFrame({"site": "fork", "date": SOLSTICE.repeat(2), "time": [0.5, 3.5],
                          "process_time": np.nan})  # fmt: skip
    since = hours_since_sunrise(birds, sites)
    assert since.tolist() == pytest.approx([2.2, 5.2], abs=0.3)  # the sun rose at 22:20
