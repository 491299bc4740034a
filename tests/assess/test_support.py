"""From captures to effects: which birds count, what is reported, what is refused."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from invented_support import SPECIES, WINDOWS, assess_invented

from phenology.assess import support
from phenology.assess.comparison import compare_sites, why_not_comparable
from phenology.assess.scenario import tell_scenarios
from phenology.assess.scenario_words import parse_scenario
from phenology.assess.support_outcomes import OUTCOMES
from phenology.assess.support_rows import gather_birds
from phenology.assess.support_store import pack_support, unpack_support
from phenology.errors import StudyError
from phenology.estimates import Estimates
from phenology.seasons import season_labels
from phenology.study.study import Study


def _row(table: pd.DataFrame, **key: str) -> pd.Series:
    chosen = table
    for column, value in key.items():
        chosen = chosen[chosen[column] == value]
    (row,) = chosen.to_dict("records")
    return pd.Series(row)


def test_effects_are_told_by_role_in_the_units_of_outcome_and_driver(assessed) -> None:
    _, table = assessed
    bloom = _row(table, outcome="lean_condition", driver="bloom", role="local",
                 definition="within-site")  # fmt: skip
    assert bloom["high"] < 0
    assert bloom["estimate"] == pytest.approx(-0.025, abs=0.01)
    assert bloom["unit"] == "log mass ratio, per halving of bloom"
    feeders = _row(table, outcome="lean_condition", driver="feeders", role="passage",
                   definition="within-site")  # fmt: skip
    assert feeders["low"] > 0
    shares = feeders[["share_own", "share_borrowed", "share_prior"]].astype(float)
    assert shares.sum() == pytest.approx(1.0)
    assert feeders["basis"] == "measured"


def test_incoming_fuel_is_called_a_description(assessed) -> None:
    notes = assessed[1].query("outcome == 'fuel_load' and basis != 'refused'")["note"]
    assert notes.str.contains("what the bird brought").all()


def test_the_monsoon_is_parted_into_flowers_and_the_rest(assessed) -> None:
    _, table = assessed
    key = {"outcome": "lean_condition", "driver": "monsoon_onset", "role": "passage"}
    through = _row(table, **key, definition="within-site, through flowers")
    direct = _row(table, **key, definition="within-site, not through flowers")
    total = _row(table, **key, definition="within-site")
    assert direct["low"] > 0
    assert through["low"] < 0 < through["high"]  # flowers were simulated apart from the monsoon
    middle = through["estimate"] + direct["estimate"]
    assert total["estimate"] == pytest.approx(middle, abs=0.004)
    refused = _row(table, outcome="pollen_share", driver="monsoon_onset", role="local",
                   definition="within-site, through flowers")  # fmt: skip
    assert "do not add up" in refused["note"]


def test_outcomes_that_nothing_tells_are_silent_and_thin_ones_refused(assessed) -> None:
    _, table = assessed
    assert "share_ready" not in set(table["outcome"])  # no range was computed
    assert "fuel_deposition_g_per_day" not in set(table["outcome"])  # no bird came twice
    assert set(table.query("outcome == 'young_per_adult'")["role"]) == {"local"}
    back = _row(table, outcome="return_rate")
    assert back["basis"] == "refused"
    assert "0 birds with yes" in back["note"]


def test_mixed_species_count_only_with_draws_of_their_role(parts) -> None:
    study, *rest = parts
    mixed = study.captures.assign(
        species=study.captures["species"].where(np.arange(len(study.captures)) % 3 > 0,
                                                SPECIES["mixed"])
    )  # fmt: skip
    study = Study(**(vars(study) | {"sheets": {"captures": mixed}}))
    without = assess_invented((study, *rest))[1]
    draws = np.random.default_rng(2).random((60, len(mixed))) < 0.5
    with_draws = assess_invented(
        (study, *rest), role_draws={"lean_condition": np.where(
            mixed["species"] == SPECIES["mixed"], draws, mixed["species"] == SPECIES["local"])}
    )[1]  # fmt: skip
    key = {"outcome": "lean_condition", "driver": "bloom", "role": "local",
           "definition": "within-site"}  # fmt: skip
    assert _row(with_draws, **key)["birds"] > _row(without, **key)["birds"] + 50


def test_rows_count_first_captures_stays_and_returns_as_they_should(parts) -> None:
    study, site_days, _, monsoon = parts
    captures = study.captures.iloc[:6].assign(
        site="site1",
        date=pd.to_datetime(["2031-07-10", "2031-07-14", "2031-08-25", "2032-07-10",
                             "2032-07-10", "2033-07-12"]).astype("datetime64[s]"),
        band=["TEST-1", "TEST-1", "TEST-1", "TEST-1", "TEST-2", "TEST-3"],
        mass_g=[3.0, 3.4, 3.2, 3.1, 3.0, 3.3],
        age="adult", sex=["female"] * 5 + ["male"], species=SPECIES["local"],
        pollen=["crown", None, "No", "none", "bill", "forehead"],
        gravid=pd.array([False, False, False, False, True, False], dtype="boolean"),
        breeding=["yes", None, "no", "no", None, "no"],
        body_moult=[None, None, None, "none", "light", None],
        flight_moult=["none", None, "heavy", "one feather", None, None],
    )  # fmt: skip
    small = Study(**(vars(study) | {"sheets": {"captures": captures}}))
    birds = gather_birds(
        small,
        site_days,
        groups=captures["species"],
        seasons=season_labels(captures["date"], WINDOWS),
        windows=WINDOWS,
        hand=None,
        monsoon_years=monsoon,
    )
    values = {outcome.quantity: outcome.values(birds) for outcome in OUTCOMES}
    nan = np.nan
    np.testing.assert_allclose(values["fuel_deposition_g_per_day"],
                               [0.1, nan, nan, nan, nan, nan])  # fmt: skip
    np.testing.assert_allclose(values["return_rate"], [1, nan, nan, 0, 0, nan])
    np.testing.assert_allclose(values["young_per_adult"], [0, nan, nan, 0, 0, nan])
    np.testing.assert_allclose(values["pollen_share"], [1, nan, 0, 0, 1, 1])
    np.testing.assert_allclose(values["breeding_share"], [1, nan, nan, 0, nan, 0])
    np.testing.assert_allclose(values["moult_share"], [0, nan, nan, 1, 1, nan])
    assert values["fuel_load"] is None
    assert birds.table["first_of_season"].tolist() == [True, False, False, True, True, True]


def test_a_fire_counts_for_a_year_after_its_last_day(parts) -> None:
    study, site_days, _, _ = parts
    events = pd.DataFrame(
        {"site": ["site1"], "from": pd.to_datetime(["2033-05-01"]),
         "until": pd.to_datetime(["2033-05-20"]), "kind": ["fire"]}
    )  # fmt: skip
    burnt = Study(**(vars(study) | {"sheets": study.sheets | {"events": events}}))
    birds = gather_birds(
        burnt,
        site_days,
        groups=study.captures["species"],
        seasons=season_labels(study.captures["date"], WINDOWS),
        windows=WINDOWS,
        hand=None,
        monsoon_years=None,
    ).table
    at = birds["site"] == "site1"
    assert set(birds.loc[birds["events"] > 0, "season"]) == {"2033"}
    assert birds.loc[at & (birds["season"] == "2033"), "events"].all()
    assert "monsoon_onset" not in birds


def test_sites_are_set_side_by_side_with_chances_and_birds(assessed) -> None:
    told, _ = assessed
    answers = Estimates()
    chances = compare_sites(told, answers)
    table = answers.table()
    assert set(chances["outcome"]) >= {"lean_condition", "fuel_load"}
    assert "capture_index" not in set(chances["outcome"])  # numbers are never ranked
    both = chances.query("outcome == 'lean_condition' and role == 'local'").set_index(
        ["site", "other"]
    )["chance_of_more"]
    for site, other in both.index:
        assert both[site, other] + both[other, site] == pytest.approx(1.0)
    assert (chances["rank_low"] <= chances["rank"]).all()
    assert (chances["rank"] <= chances["rank_high"]).all()
    level = table.query("definition == 'at equal days and groups' and quantity == 'fuel_load'")
    assert level["estimate"].between(0.15, 0.25).all()
    seasons = table.query('definition == "season against the site\'s normal"')
    assert (seasons["birds"] >= 5).all()
    assert seasons.query("quantity == 'lean_condition'")["estimate"].abs().median() < 0.05


def test_studies_are_compared_only_on_what_is_comparable(parts) -> None:
    options = parts[0].options
    assert why_not_comparable(options, options, "fuel_load") == ""
    assert "zero differs" in why_not_comparable(options, options, "lean_condition")
    far = replace(options, next_stop_km=800.0)
    assert "next stop" in why_not_comparable(options, far, "share_ready")
    others = replace(options, species={"Calypte anna": options.species["Calypte anna"]})
    mine = replace(options, species={"Selasphorus rufus": options.species["Selasphorus rufus"]})
    assert "no species in common" in why_not_comparable(mine, others, "pollen_share")


def test_scenarios_of_one_season_stand_beside_what_was(assessed) -> None:
    told, _ = assessed
    answers = Estimates()
    scenarios = [
        parse_scenario(bloom="half", season="2033"),
        parse_scenario(feeders="none", season="2033"),
        parse_scenario(monsoon="+60d", season="2033"),
    ]
    tell_scenarios(told, scenarios, answers)
    table = answers.table().query("quantity == 'lean_condition'")
    change = table.query("definition == 'change'").set_index(["scenario", "role"])
    level = table.query("definition == ''").set_index(["scenario", "role"])
    assert change.loc[("bloom half", "local"), "high"] < 0.01
    assert change.loc[("feeders none", "passage"), "estimate"] < 0
    assert (change.xs("monsoon +60d", level="scenario")["basis"] == "extrapolated").all()
    late = change.loc[("monsoon +60d", "passage"), "note"]
    assert "never seen so" in late
    assert "with what the monsoon does through flowers" in late
    was = level.loc[("as it was", "local")]
    then = level.loc[("bloom half", "local")]
    step = change.loc[("bloom half", "local"), "estimate"]
    assert then["estimate"] == pytest.approx(was["estimate"] + step, abs=0.004)
    assert was["birds"] == then["birds"] < 100  # one season's birds, not all


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ({}, "changes nothing"),
        ({"bloom": "-20%"}, "--bloom -20% is not known"),
        ({"bloom": "0%"}, "above 0"),
        ({"monsoon": "later"}, r"such as \+14d"),
        ({"feeders": "some"}, "Say none or up"),
    ],
)
def test_scenarios_that_cannot_be_read_say_what_to_write(words, message) -> None:
    with pytest.raises(StudyError, match=message):
        parse_scenario(**words)


def test_a_season_without_birds_names_the_seasons_with_birds(assessed) -> None:
    with pytest.raises(StudyError, match=r"No bird was caught in season 1999\. Seasons with birds"):
        tell_scenarios(assessed[0], [parse_scenario(bloom="half", season="1999")], Estimates())
    mixed = [parse_scenario(bloom="half", season=year) for year in ("2033", "2034")]
    with pytest.raises(StudyError, match="of one season"):
        tell_scenarios(assessed[0], mixed, Estimates())


def test_a_driver_that_the_study_lacks_refuses_its_scenario(parts) -> None:
    study, site_days, hand, _ = parts
    told, _ = assess_invented(
        (study, site_days.drop_vars("feeders_up"), hand, None), monsoon_years=None
    )
    answers = Estimates()
    scenarios = [parse_scenario(feeders="none"), parse_scenario(monsoon="normal")]
    tell_scenarios(told, scenarios, answers)
    refused = answers.table().query("basis == 'refused'")
    assert set(refused["scenario"]) == {"feeders none", "monsoon normal"}
    assert refused["note"].str.contains("not known well enough").all()


def test_a_finished_run_answers_scenarios_as_the_run_itself_would(assessed, tmp_path) -> None:
    told, _ = assessed
    path = tmp_path / "support.nc"
    for name, dataset in pack_support(told).items():
        dataset.to_netcdf(path, group=name, mode="a", engine="h5netcdf")
    names = list(pack_support(told))
    read = {name: xr.load_dataset(path, group=name, engine="h5netcdf") for name in names}
    again = unpack_support(read)
    tables = []
    for one in (told, again):
        answers = Estimates()
        tell_scenarios(one, [parse_scenario(bloom="half", monsoon="+14d", season="2033")], answers)
        compare_sites(one, answers)
        tables.append(answers.table())
    pd.testing.assert_frame_equal(*tables)


def test_of_very_many_birds_all_groups_sites_and_seasons_lend_their_share(monkeypatch) -> None:
    rng = np.random.default_rng(1)
    birds = pd.DataFrame(
        {
            "group": rng.choice(["adult", "young"], 3000, p=[0.99, 0.01]),
            "site": rng.choice(["fork", "ridge"], 3000),
            "season": rng.choice(["2031", "2032", None], 3000),
        }
    )
    keys = ["group", "site", "season"]
    monkeypatch.setattr(support, "MOST_BIRDS", 300)
    few = birds[support.few_of_a_season(birds)]
    cells, of_few = (table.groupby(keys, dropna=False).size() for table in (birds, few))
    assert len(few) == 300
    np.testing.assert_allclose(of_few.reindex(cells.index).fillna(0), cells / 10, atol=1)
    monkeypatch.setattr(support, "MOST_BIRDS", 3000)
    assert support.few_of_a_season(birds).all()
