"""From captures to what the season model is told of each bird's role."""

import numpy as np
import pandas as pd

from phenology.assess.season_traits import bird_traits
from phenology.models.season_traits import FEWEST_BIRDS
from phenology.seasons import Window

LABELS = {"groups": ["adult", "young"], "sites": ["fork", "ridge"], "seasons": ["2031", "2032"]}
FAT = ["0", "1", "2"]


def _captures(birds: int) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "site": "ridge",
            "date": pd.Timestamp("2032-07-02"),
            "band": [f"TEST-{number:05}" for number in range(birds)],
            "group": "young",
            "breeding": None,
            "gravid": pd.array([None] * birds, dtype="boolean"),
            "body_moult": "none",
            "flight_moult": None,
            "fat": "2",
        }
    )


def test_signs_moult_and_fat_of_each_bird_and_day() -> None:
    captures = _captures(FEWEST_BIRDS)
    captures.loc[0, ["breeding", "body_moult", "fat"]] = ["brood patch", "heavy", "0"]
    captures.loc[1, ["breeding", "body_moult", "fat"]] = ["none", None, None]
    later = captures.iloc[[0]].assign(date=pd.Timestamp("2032-07-09"))
    same_day = captures.iloc[[0]].assign(fat="1")
    winter = captures.iloc[[0]].assign(date=pd.Timestamp("2032-12-09"))
    other = captures.iloc[[0]].assign(group="another")
    sheet = pd.concat([captures, later, same_day, winter, other], ignore_index=True)
    told = bird_traits(sheet, FAT, Window("", 121, 283), **LABELS)
    assert told is not None
    assert len(told.day) == FEWEST_BIRDS + 1
    assert told.bird[0] == told.bird[-1]
    assert set(told.bird[1:-1]) & {told.bird[0]} == set()
    assert all((part == 1).all() for part in (told.group, told.site, told.season))
    assert told.day[0] == 184
    assert told.day[-1] == 191
    assert told.levels[:3].tolist() == [[1, 1, 0], [0, -1, -1], [-1, 0, 2]]
    np.testing.assert_allclose(told.log_ratio[:3], [4, 0, -1])


def test_a_handful_of_birds_teaches_no_frequencies() -> None:
    assert bird_traits(_captures(FEWEST_BIRDS - 1), FAT, Window("", 121, 283), **LABELS) is None
    plain = _captures(FEWEST_BIRDS).assign(body_moult=None, fat=None)
    assert bird_traits(plain, FAT, Window("", 121, 283), **LABELS) is None
