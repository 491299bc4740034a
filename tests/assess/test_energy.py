"""Bloom and energy as answers: what is reported, borrowed, relative or refused in words."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenology.assess.energy import FLOWERS, assess_energy
from phenology.assess.energy_need import FEEDERS, FLOWERS_COUNTED
from phenology.bloom import daily_bloom
from phenology.estimates import Estimates
from phenology.models.energy import feeder_solution
from phenology.seasons import Window
from phenology.study.options import parse_options
from phenology.study.study import Study

SITES = pd.DataFrame({"site": ["fork", "mesa"], "latitude": [31.5, 32.0]})
DATES = pd.date_range("2030-10-01", "2031-08-31", unit="s")
WINDOWS = (Window("", 166, 243),)
SUGAR = pd.DataFrame(
    {"plant": ["sage"], "nectar_mg_per_flower_day": [2.0], "low": [1.5], "high": [2.5]}
)


def surveys(scale: float = 1.0) -> pd.DataFrame:
    rows = [
        (f"{year}-{day}", round(scale * number))
        for year in (2029, 2030, 2031)
        for day, number in (("06-20", 10), ("07-05", 60), ("07-20", 90), ("08-04", 40))
    ]
    frame = pd.DataFrame(rows, columns=["date", "open_flowers"])
    return frame.assign(
        site="fork",
        date=pd.to_datetime(frame["date"]).astype("datetime64[s]"),
        open_flowers=frame["open_flowers"].astype(float),
        plant="sage",
        area_m2=100.0,
        complete=pd.array([True] * len(frame), dtype="boolean"),
    )


def feeders(**changed: object) -> pd.DataFrame:
    frame = pd.DataFrame(
        {
            "site": ["fork"],
            "from": pd.to_datetime(["2031-07-01"]),
            "until": pd.to_datetime(["2031-07-31"]),
            "litres_filled_per_day": [2.0],
            "water_to_sugar": [4.0],
        }
    )
    return frame.assign(**changed)


def counts(days: int = 8, site: str = "fork", species: str = "Selasphorus rufus") -> pd.DataFrame:
    """Counts of twenty birds every fifth day of July, by two rows, and a hawk over them."""
    dates = pd.date_range("2031-07-01", periods=days, freq="5D", unit="s")
    rows = [(species, 15), (species, 5), ("Buteo jamaicensis", 2)]
    return pd.DataFrame(
        [
            {"site": site, "date": date, "start": 7.0, "species": name, "count": number}
            for date in dates
            for name, number in rows
        ]
    ).astype({"count": "Int64"})


def area(ha: float) -> pd.DataFrame:
    return SITES.assign(flowering_area_ha=[ha, np.nan])


def assess(
    bloom: pd.DataFrame | None,
    plants: pd.DataFrame | None = SUGAR,
    *,
    species: str = "Selasphorus rufus",
    mass_g: float = 3.4,
    **sheets: pd.DataFrame,
) -> tuple[pd.DataFrame, xr.Dataset]:
    captures = pd.DataFrame({"species": [species] * 3, "mass_g": mass_g})
    held = {"captures": captures, "sites": SITES} | sheets
    nothing = pd.DataFrame()
    study = Study(
        None, parse_options({"name": "n", "species": {species: "passage"}}), held, nothing,
        nothing, {}, (), {},
    )  # fmt: skip
    days = xr.Dataset(
        {"sampled": (("site", "date"), np.ones((2, len(DATES)), dtype=bool))},
        coords={"site": SITES["site"].to_numpy(dtype=str), "date": DATES},
    )
    told = daily_bloom(bloom, plants, SITES, DATES, None, 1)
    answers = Estimates()
    out = assess_energy(study, days if told is None else days.merge(told), WINDOWS, answers, 1)
    return answers.table(), out


def reason(table: pd.DataFrame, quantity: str, definition: str = "") -> str:
    rows = table[(table["quantity"] == quantity) & (table["definition"] == definition)]
    assert (rows["basis"] == "refused").all()
    return str(rows["note"].iloc[0])


def test_a_surveyed_season_is_measured_and_an_unsurveyed_site_borrows():
    table, days = assess(surveys())
    index = table[table["quantity"] == "bloom_index"].set_index("site")
    assert index["basis"].to_dict() == {"fork": "measured", "mesa": "borrowed"}
    assert (index["low"] < index["high"]).all()
    nectar = table[table["quantity"] == "nectar_kj_per_ha"].set_index("site")
    inside = days.sel(site="fork", date=slice("2031-06-15", "2031-08-31"))
    # 1 mg/m2 is 10 g/ha; sucrose burns at 16.487 kJ/g (NIST WebBook)
    expected = float(inside["nectar"].mean()) * 10 * 16.487
    assert nectar.loc["fork", "estimate"] == pytest.approx(expected, rel=0.1)
    assert nectar.loc["fork", "low"] < expected < nectar.loc["fork", "high"]
    assert not [name for name in days if str(name).endswith("_draws")]


def test_feeders_offer_only_while_they_hang_and_birds_need_about_a_dozen_millilitres():
    table, days = assess(None, feeders=feeders())
    energy = days["feeder_energy_kj"].sel(site="fork")
    july = energy["date"].dt.month == 7
    assert float(energy.where(~july).max()) == 0
    np.testing.assert_allclose(
        energy.sel(date=july), 2000 * feeder_solution(4.0).kj_per_ml, rtol=0.02
    )
    assert bool(days["feeder_energy_kj"].sel(site="mesa").isnull().all())
    # 2 L a day of 4:1 at 10.5 mL a bird of 4.5 g (check value); a lighter bird needs less
    birds = float(days["birds_fed_by_feeders"].sel(site="fork", date="2031-07-15"))
    assert 2000 / 10.5 < birds < 2000 / 10.5 * 1.8
    fed = table[(table["quantity"] == "bird_days_fed") & (table["definition"] == FEEDERS)]
    assert fed["site"].tolist() == ["fork"]


def test_without_surveys_all_is_refused_in_words():
    table, _ = assess(None)
    assert "no bloom surveys" in reason(table, "bloom_index")
    assert "no bloom surveys" in reason(table, "nectar_kj_per_ha")
    assert "no bloom surveys" in reason(table, "bird_days_fed", FLOWERS)
    assert "litres filled" in reason(table, "bird_days_fed", FEEDERS)


def test_without_sugar_nectar_is_relative_and_carries_no_energy():
    table, days = assess(surveys(), None)
    assert "nectar is relative" in reason(table, "nectar_kj_per_ha")
    assert "flower_energy_kj_per_ha" not in days
    assert (table.loc[table["quantity"] == "bloom_index", "basis"] != "refused").all()


def test_with_no_flower_ever_counted_there_is_nothing_to_compare_with():
    table, _ = assess(surveys(0.0))
    for quantity in ("bloom_index", "nectar_kj_per_ha"):
        assert "no open flower was ever counted" in reason(table, quantity)


def test_one_surveyed_season_has_an_assumed_normal():
    only = surveys()
    table, _ = assess(only[only["date"].dt.year == 2031])
    index = table[table["quantity"] == "bloom_index"]
    assert set(index["basis"]) == {"assumed"}
    assert index["note"].str.contains("borrowed").all()


@pytest.mark.parametrize(
    ("species", "mass_g", "words"),
    [
        ("Buteo jamaicensis", 1000.0, "none was caught"),
        ("Selasphorus rufus", np.nan, "no bird was weighed"),
        ("Selasphorus rufus", 40.0, "2 to 10 g"),
    ],
)
def test_birds_whose_need_is_not_known_are_refused_and_the_energy_stands(species, mass_g, words):
    table, days = assess(surveys(), species=species, mass_g=mass_g)
    assert words in reason(table, "bird_days_fed", FLOWERS)
    assert "flower_energy_kj_per_ha" in days


def test_a_share_of_need_is_birds_fed_on_the_area_over_birds_counted():
    table, days = assess(surveys(), counts=counts(), sites=area(4.0), feeders=feeders())
    told = table[(table["quantity"] == "share_of_need") & (table["basis"] != "refused")]
    assert told["site"].tolist() == ["fork", "fork"]
    rows = told.set_index("definition")
    counted_on = counts()["date"].unique()
    fed = days.sel(site="fork", date=counted_on)
    by_flowers = 4.0 * float(fed["birds_fed_by_flowers"].mean()) / 20
    assert rows.loc[FLOWERS_COUNTED, "estimate"] == pytest.approx(by_flowers, rel=0.15)
    by_feeders = float(fed["birds_fed_by_feeders"].mean()) / 20
    assert rows.loc[FEEDERS, "estimate"] == pytest.approx(by_feeders, rel=0.15)
    assert (rows["low"] < rows["high"]).all()
    assert (rows["birds"] == 8 * 20).all()
    assert rows["note"].str.contains("the true share is smaller").all()


@pytest.mark.parametrize(
    ("sheets", "words"),
    [
        ({"sites": area(4.0)}, "counts made without bait"),
        ({"sites": area(4.0), "counts": counts(site="mesa")}, "counts made without bait"),
        ({"sites": area(np.nan), "counts": counts()}, "flowering_area_ha"),
        ({"sites": area(4.0), "counts": counts(days=3)}, "counts on 3 days"),
        ({"sites": area(4.0), "counts": counts(species="Buteo jamaicensis")}, "no hummingbird"),
    ],
)
def test_a_share_of_need_says_what_it_lacks(sheets, words):
    table, _ = assess(surveys(), **sheets)
    rows = table[table["quantity"] == "share_of_need"]
    assert set(rows["basis"]) == {"refused"}
    assert rows.loc[rows["site"] != "mesa", "note"].str.contains(words).all()
