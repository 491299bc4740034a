"""How many birds a season's answers are told to rest on."""

import numpy as np
import pandas as pd

from phenology.assess.season_counts import birds_by_season
from phenology.models.season_counts import SeasonCounts
from phenology.seasons import Window


def test_a_bird_counts_once_a_season_and_one_only_seen_by_the_sum() -> None:
    captures = pd.DataFrame(
        {
            "group": "rufus",
            "site": "fork",
            "band": ["TEST-1", "TEST-1", "TEST-2", None, "TEST-1", "TEST-1"],
            "date": pd.to_datetime(
                ["2031-07-01", "2031-07-09", "2031-07-09", "2031-07-09", "2032-07-01", "2031-12-01"]
            ),
        }
    )
    rows = [("fork", "2031", 4), ("fork", "2032", 1), ("mesa", "2031", 3), ("mesa", "2031", 2)]
    sites, seasons = ("fork", "mesa"), ("2031", "2032")
    counts = SeasonCounts(
        count=np.array([number for *_, number in rows]),
        group=np.zeros(4, int),
        site=np.array([sites.index(site) for site, *_ in rows]),
        season=np.array([seasons.index(season) for _, season, _ in rows]),
        day=np.full(4, 190.0),
        groups=("rufus",),
        sites=sites,
        seasons=seasons,
        roles=("passage",),
        first_day=121.0,
        last_day=283.0,
    )
    birds = birds_by_season(captures, Window("", 121, 283), counts)
    assert birds.to_dict() == {
        ("rufus", "fork", "2031"): 3,
        ("rufus", "fork", "2032"): 1,
        ("rufus", "mesa", "2031"): 5,
    }
