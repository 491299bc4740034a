"""Which season a date belongs to."""

from datetime import date, timedelta

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phenology.seasons import Window, date_of_day, season_windows
from phenology.study.options import SeasonWindow


def test_without_a_declared_season_the_span_sampled_is_the_season() -> None:
    sampled = pd.DatetimeIndex(["2031-07-10", "2033-08-20", "2033-07-01"])
    (window,) = season_windows((), sampled)
    assert window.first_day == date(2033, 7, 1).timetuple().tm_yday - 14
    assert window.last_day == date(2033, 8, 20).timetuple().tm_yday + 14


def test_a_span_across_new_year_is_one_season() -> None:
    sampled = pd.DatetimeIndex(["2031-12-10", "2032-01-20", "2032-12-28"])
    (window,) = season_windows((), sampled)
    placed = window.place(sampled)
    assert placed["season"].tolist() == [2031, 2031, 2032]
    assert placed["inside"].all()


def test_spring_and_autumn_are_told_apart_by_name() -> None:
    declared = (SeasonWindow("spring", "03-01", "05-15"), SeasonWindow("autumn", "07-01", "10-01"))
    spring, autumn = season_windows(declared, pd.DatetimeIndex([]))
    dates = pd.DatetimeIndex(["2031-04-01", "2031-08-01"])
    assert spring.place(dates)["inside"].tolist() == [True, False]
    assert autumn.place(dates)["inside"].tolist() == [False, True]
    assert spring.label(2031) == "2031 spring"


@pytest.mark.parametrize("until", ["09-30", "02-29"])
def test_one_declared_season_carries_no_name(until: str) -> None:
    (window,) = season_windows((SeasonWindow("season", "06-15", until),), pd.DatetimeIndex([]))
    assert window.label(2031) == "2031"


@given(st.dates(date(1960, 1, 1), date(2099, 12, 31)), st.integers(1, 365), st.integers(7, 300))
def test_a_day_leads_back_to_its_date(when: date, first: int, length: int) -> None:
    window = Window("", first, first + length)
    ((season, day, _inside),) = window.place(pd.DatetimeIndex([when])).itertuples(index=False)
    assert date(int(season), 1, 1) + timedelta(days=int(day) - 1) == when
    assert date_of_day(float(day), int(season)) == when
