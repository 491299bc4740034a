"""Bloom from the sheets: what is zero, what is relative, and what is said in words."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenology.bloom import bloom_narrowing, daily_bloom
from phenology.bloom_surveys import count_flowers, season_and_day, season_origin

SITES = pd.DataFrame({"site": ["fork", "mesa"], "latitude": [31.5, 32.0]})
DATES = pd.date_range("2031-06-15", "2031-08-31", unit="s")


def sheet(rows, *, complete: bool = True) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["site", "date", "plant", "open_flowers"])
    frame["date"] = pd.to_datetime(frame["date"]).astype("datetime64[s]")
    frame["open_flowers"] = frame["open_flowers"].astype(float)
    frame["area_m2"] = 100.0
    frame["complete"] = pd.array([complete] * len(frame), dtype="boolean")
    return frame


def season(site: str, year: int, scale: float = 1.0) -> list[tuple[str, str, str, float]]:
    days = zip(("06-20", "07-05", "07-20", "08-04", "08-19"), (10, 60, 90, 40, 8), strict=True)
    return [(site, f"{year}-{day}", "sage", round(n * scale)) for day, n in days]


def tell(bloom, plants=None, dates=DATES) -> xr.Dataset:
    told = daily_bloom(bloom, plants, SITES, dates, None, 1)
    assert told is not None
    return told


def notes(told: xr.Dataset) -> str:
    return str(told["open_flowers_per_m2"].attrs["notes"])


def test_an_unlisted_plant_is_zero_only_where_the_survey_was_complete():
    rows = [("fork", "2031-07-01", "sage", 5), ("fork", "2031-07-15", "penstemon", 7)]
    assert len(count_flowers(sheet(rows, complete=False))) == 2
    whole = count_flowers(sheet(rows))
    assert whole["flowers"].tolist() == [0.0, 5.0, 7.0, 0.0]
    assert whole["area_m2"].tolist() == [100.0] * 4


def test_quadrats_of_a_survey_add_up():
    counted = count_flowers(sheet([("fork", "2031-07-01", "sage", n) for n in (5, 0, 7)]))
    assert counted[["flowers", "area_m2"]].values.tolist() == [[12.0, 300.0]]


def test_a_winter_flora_keeps_its_season_in_one_piece():
    rows = [("fork", day, "aloe", 50) for day in ("2031-12-20", "2032-01-05", "2032-01-20")]
    counted = count_flowers(sheet(rows))
    origin = season_origin(counted)
    years, days = season_and_day(pd.DatetimeIndex(counted["date"]), origin)
    assert set(years) == {2031}
    assert (np.diff(days) > 0).all()
    assert season_origin(count_flowers(sheet(season("fork", 2031)))) == 1


@pytest.mark.parametrize("bloom", [None, sheet([])])
def test_without_a_bloom_sheet_there_is_none_and_it_is_said(bloom):
    assert daily_bloom(bloom, None, SITES, DATES, None, 1) is None
    assert "No bloom surveys" in bloom_narrowing(bloom, None)[0]


def test_without_plants_nectar_is_relative_and_says_so():
    told = tell(sheet(season("fork", 2031)))
    assert told["nectar"].attrs["nectar_is"] == "relative"
    assert "nectar is relative" in notes(told)
    xr.testing.assert_allclose(
        told["nectar"].drop_attrs(), told["open_flowers_per_m2"].drop_attrs().rename("nectar")
    )


def test_plants_weigh_flowers_by_their_sugar():
    sugar = pd.DataFrame(
        {"plant": ["sage"], "nectar_mg_per_flower_day": [2.0], "low": [1.99], "high": [2.01]}
    )
    told = tell(sheet(season("fork", 2031)), sugar)
    assert told["nectar"].attrs == {
        "units": "mg m-2 day-1",
        "long_name": "sugar on offer by area and day",
        "nectar_is": "absolute",
    }
    ratio = told["nectar"] / told["open_flowers_per_m2"]
    np.testing.assert_allclose(ratio, 2.0, rtol=0.02)


def test_a_plant_without_sugar_borrows_it_and_says_so():
    sugar = pd.DataFrame(
        {"plant": ["sage"], "nectar_mg_per_flower_day": [2.0], "low": [1.0], "high": [3.0]}
    )
    rows = [*season("fork", 2031), *((s, d, "penstemon", n) for s, d, _, n in season("fork", 2031))]
    assert "No sugar is given for penstemon" in notes(tell(sheet(rows), sugar))
    strange = sugar.assign(plant="thistle")
    told = tell(sheet(rows), strange)
    assert told["nectar"].attrs["nectar_is"] == "relative"
    assert "none of the plants surveyed" in notes(told)


def test_one_surveyed_season_gives_an_assumed_normal_in_words():
    told = tell(sheet(season("fork", 2031)))
    assert told["normal_basis"].to_numpy().tolist() == ["assumed", "assumed"]
    assert "one season only" in notes(told)
    assert told.sizes["bloom_season"] == 0
    assert bool(np.isfinite(told["open_flowers_per_m2"]).all())
    width = told["bloom_index_high"] - told["bloom_index_low"]
    assert float(width.sel(date="2031-07-15", site="fork")) > 0.5


def test_three_seasons_make_a_normal_and_fewer_borrow_it():
    rows = [row for year in (2029, 2030, 2031) for row in season("fork", year)]
    told = tell(sheet([*rows, *season("mesa", 2031, 2.0)]))
    assert told["normal_basis"].to_numpy().tolist() == ["measured", "borrowed"]
    assert "Fewer than 3 surveyed seasons at mesa" in notes(told)


def test_twice_the_flowers_is_twice_the_usual():
    rows = [row for year in (2027, 2028, 2029, 2030) for row in season("fork", year)]
    told = tell(sheet([*rows, *season("fork", 2031, 3.0)]))
    july = told.sel(site="fork", date=slice("2031-07-05", "2031-08-04"))
    assert float(july["bloom_index_low"].mean()) > 0
    assert 0.4 < float(july["bloom_index"].mean()) < np.log(3.0) + 0.2


def test_no_flower_ever_counted_is_zero_with_what_was_missed_as_its_high_end():
    rows = [(site, date, plant, 0) for site, date, plant, _ in season("fork", 2031)]
    told = tell(sheet(rows))
    assert float(told["open_flowers_per_m2"].max()) == 0
    # The 95 % limit of a Poisson mean with none counted is 3.0 flowers, here on 100 m2
    np.testing.assert_allclose(told["open_flowers_per_m2_high"], 0.03)
    assert bool(told["bloom_index"].isnull().all())
    assert "No open flower was ever counted" in notes(told)


def test_a_plant_never_in_flower_counts_as_none():
    rows = [*season("fork", 2031), ("fork", "2031-07-20", "yucca", 0)]
    told = tell(sheet(rows))
    assert told["plant"].to_numpy().tolist() == ["sage"]
    assert "taken as none: yucca" in notes(told)


def test_out_of_season_the_index_goes_to_nought():
    rows = [row for year in (2029, 2030, 2031) for row in season("fork", year)]
    told = tell(sheet(rows), dates=pd.date_range("2031-01-01", "2031-12-31", unit="s"))
    january = told.sel(site="fork", date=slice("2031-01-01", "2031-01-31"))
    assert float(np.abs(january["bloom_index"]).max()) < 0.05
    assert float(january["open_flowers_per_m2"].max()) < 0.01
