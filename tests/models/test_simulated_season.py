"""A simulated season keeps its own laws, and its options do what they say."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from phenology.models.simulated_season import SimulatedStudy, simulate, sun_hours
from phenology.models.simulated_season_days import (
    ASSIMILATION,
    METABOLIC_KJ_PER_G_DAY,
    TISSUE_KJ_PER_G,
)
from phenology.models.simulated_season_nectar import SUCROSE_KJ_PER_MG, grow_flowers
from phenology.models.simulated_season_truth import season_dates
from phenology.models.simulated_season_weather import simulate_weather
from phenology.models.simulated_season_world import DAYS, FIRST_DAY, World, make_world

CLASSES = ["site", "season", "species", "age", "sex", "role"]


@pytest.fixture(scope="module")
def study() -> SimulatedStudy:
    return simulate(make_world(3, 4), seed=11)


def test_the_same_seed_gives_the_same_study_and_another_does_not(study: SimulatedStudy) -> None:
    again, other = simulate(study.world, seed=11), simulate(study.world, seed=12)
    for name, sheet in study.sheets.items():
        pd.testing.assert_frame_equal(sheet, again.sheets[name])
    for name, table in study.truth.items():
        pd.testing.assert_frame_equal(table, again.truth[name])
    assert not study.sheets["captures"].equals(other.sheets["captures"])


def test_birds_present_are_those_that_came_and_have_not_left(study: SimulatedStudy) -> None:
    stays = study.truth["stays"]
    days = stays.loc[stays.index.repeat(stays["stopover_days"])].copy()
    days["day"] = days["entry_day"] + days.groupby(level=0).cumcount()
    counted = days.groupby([*CLASSES, "day"]).size()
    told = study.truth["presence"].set_index([*CLASSES, "day"])["birds"]
    pd.testing.assert_series_equal(
        counted.sort_index(), told.sort_index(), check_names=False, check_dtype=False
    )


def test_no_bird_is_at_two_places_at_once(study: SimulatedStudy) -> None:
    stays = study.truth["stays"].sort_values(["bird", "season", "entry_day"])
    former = stays.groupby(["bird", "season"])["exit_day"].shift()
    assert (stays["entry_day"] > former)[former.notna()].all()
    assert former.notna().sum() > 20  # some do move between stations


def test_every_bird_caught_was_present(study: SimulatedStudy) -> None:
    caught = study.truth["captures"].merge(
        study.truth["stays"][["bird", "season", "site", "entry_day", "exit_day"]],
        on=["bird", "season", "site"],
    )
    there = caught["day"].between(caught["entry_day"], caught["exit_day"])
    assert there.groupby(caught["row"]).any().sum() == len(study.truth["captures"])


def test_masses_and_fuel_stay_within_what_birds_carry(study: SimulatedStudy) -> None:
    truth = study.truth["captures"]
    assert truth["body_fuel"].between(-0.12, 0.70).all()
    mass = pd.to_numeric(study.sheets["captures"]["mass_g"], errors="coerce").dropna()
    assert mass.between(1.9, 6.6).all()
    whole = truth["structural_lean_g"] * (1 + truth["body_fuel"])
    carried = whole + truth["crop_g"] + truth["egg_g"]
    gap = mass - carried.loc[mass.index]
    assert gap.between(-0.08, 0.24).all()  # error of reading, and 0.15 g where it was fed
    # heaviest against lean mass 1.28-2.75 over birds: Hedenström & Alerstam 1992,
    # J. Exp. Biol. 164:19
    ready = study.truth["stays"].query("reason == 'ready' and role == 'passage'")["fuel_out"]
    assert ready.between(0.10, 0.65).all()
    assert 0.30 < ready.mean() < 0.50


def test_energy_follows_published_values() -> None:
    # Powers & Nagy 1988, Physiol. Zool. 61:500: about 32 kJ/d at 4.48 g
    assert pytest.approx(32.0) == METABOLIC_KJ_PER_G_DAY * 4.48
    # Weathers & Stiles 1989: 37.9 kJ/d at 4.90 g, 57.9 at 7.23 g
    assert pytest.approx(37.9, rel=0.12) == METABOLIC_KJ_PER_G_DAY * 4.90
    assert pytest.approx(57.9, rel=0.12) == METABOLIC_KJ_PER_G_DAY * 7.23
    # Klaassen et al. 1997, Physiol. Zool. 70:125
    assert TISSUE_KJ_PER_G == 33.6
    # NIST WebBook: sucrose 5643.4 kJ/mol over 342.2965 g/mol
    assert pytest.approx(5643.4 / 342.2965, rel=1e-4) == SUCROSE_KJ_PER_MG * 1000
    assert ASSIMILATION == 0.97  # from memory


def test_no_bird_gains_faster_than_individuals_of_its_mass(study: SimulatedStudy) -> None:
    # Lindström 2003 (quoted): 2.17 M^-0.34 % of lean mass a day, M in kg, over two days and more
    stays = study.truth["stays"].query("stopover_days >= 2")
    fastest = 0.0217 * (stays["structural_lean_g"] / 1000) ** -0.34
    gain = stays["fuel_deposition_g_per_day"] / stays["structural_lean_g"]
    assert (gain < fastest + 0.01).all()
    fuelled = (stays["role"] == "passage") & (stays["reason"] == "ready")
    assert 0.03 < gain[fuelled].mean() < 0.12


def test_length_of_day_equals_the_almanac() -> None:
    # 14.262 h at 32.2226 N, 110.9747 W on 20 June 2024 (SPA)
    station = replace(make_world(1, 1).stations[0], latitude=32.2226, longitude=-110.9747)
    sunrise, day_hours = sun_hours(World((station,), (2031,)))
    assert day_hours[0, 171 - FIRST_DAY] == pytest.approx(14.262, abs=0.03)
    assert 4.9 < sunrise[0, 171 - FIRST_DAY] < 5.6


def test_adult_males_pass_before_adult_females_before_young(study: SimulatedStudy) -> None:
    timing = study.truth["timing"].query("role == 'passage'")
    for species in ("Selasphorus rufus", "Selasphorus calliope", "Calypte anna"):
        peak = {
            cls: timing[timing["group"].str.startswith(f"{species} {cls}")]["peak_day"].mean()
            for cls in ("adult male", "adult female", "young")
        }
        assert peak["adult male"] + 5 < peak["adult female"] < peak["young"]


def test_bands_have_histories(study: SimulatedStudy) -> None:
    sheet = study.sheets["captures"].assign(season=study.truth["captures"]["season"])
    banded = sheet[sheet["band"] != ""]
    before = banded.groupby("band")["season"].shift()
    first = banded["capture"].isin(["new", "foreign", "band_replaced"])
    assert (before.isna() == first).all()
    seasons_since = banded["season"] - before
    assert (seasons_since[banded["capture"] == "repeat"] == 0).all()
    assert (seasons_since[banded["capture"] == "return"] > 0).all()
    by_bird = study.truth["captures"].groupby("band")["bird"].nunique()
    assert (by_bird[by_bird.index != ""] == 1).all()
    share = banded["capture"].value_counts(normalize=True)
    assert 0.08 < share["repeat"] < 0.30
    assert 0.01 < share["return"] < 0.12


def test_gravid_birds_are_breeding_females(study: SimulatedStudy) -> None:
    with_egg = study.truth["captures"].query("egg_g > 0")
    assert 0 < len(with_egg) < 0.1 * len(study.truth["captures"])
    assert set(with_egg["sex"]) == {"female"}
    assert set(with_egg["role"]) == {"local"}


def test_fewer_flowers_and_the_same_birds_where_numbers_are_constant() -> None:
    world = make_world(2, 2, numbers="constant", feeders="none")
    plenty, poor = simulate(world, 5), simulate(replace(world, flower_scale=0.25), 5)
    pd.testing.assert_frame_equal(plenty.truth["presence"], poor.truth["presence"])
    assert len(poor.sheets["captures"]) > 1.2 * len(plenty.sheets["captures"])
    deposition = [
        each.truth["stays"].query("role == 'passage'")["fuel_deposition_g_per_day"].mean()
        for each in (plenty, poor)
    ]
    assert deposition[1] < deposition[0]


def test_the_same_captures_where_catchability_is_constant_too() -> None:
    world = make_world(2, 2, numbers="constant", catchability="constant", feeders="none")
    plenty, poor = simulate(world, 5), simulate(replace(world, flower_scale=0.25), 5)
    columns = ["row", "bird", "day"]
    pd.testing.assert_frame_equal(
        plenty.truth["captures"][columns], poor.truth["captures"][columns]
    )


def test_numbers_follow_bloom_where_they_should() -> None:
    world = make_world(2, 2, catchability="constant", feeders="none")
    plenty, poor = simulate(world, 5), simulate(replace(world, flower_scale=0.25), 5)
    birds = [
        each.truth["stays"].query("role == 'passage'")["bird"].nunique() for each in (plenty, poor)
    ]
    assert birds[1] < 0.7 * birds[0]


def test_numbers_constant_are_alike_between_seasons() -> None:
    constant, following = (
        simulate(make_world(2, 5, numbers=numbers), 8).truth["numbers"]
        for numbers in ("constant", "following_bloom")
    )
    spread = [
        table.query("role == 'passage'").groupby(["site", "season"])["bird_days"].sum()
        for table in (constant, following)
    ]
    varies = [each.groupby("site").std() / each.groupby("site").mean() for each in spread]
    assert (varies[0] < 0.12).all()
    assert (varies[1] > 0.12).all()


def test_traps_answer_to_bloom_and_nets_a_little_less() -> None:
    world = make_world(2, 4, numbers="constant", feeders="none")
    plenty, poor = simulate(world, 3), simulate(replace(world, flower_scale=0.25), 3)
    ratio = {}
    for letter in "TN":
        counts = [
            int(each.sheets["captures"]["trap"].str.startswith(letter).sum())
            for each in (plenty, poor)
        ]
        ratio[letter] = counts[1] / counts[0]
    assert ratio["T"] > 1.3
    assert 1.0 < ratio["N"] < ratio["T"]


@pytest.mark.parametrize(
    ("feeders", "share"), [("none", (0, 0)), ("never_varying", (1, 1)), ("by_chance", (0.3, 0.7))]
)
def test_feeders_hang_by_the_rule(feeders: str, share: tuple[float, float]) -> None:
    study = simulate(make_world(3, 6, feeders=feeders), 2)
    up = (study.truth["nectar"]["feeder_ports"] > 0).mean()
    assert share[0] <= up <= share[1]
    assert ("feeders" in study.sheets) == (share[1] > 0)


def test_feeders_by_quality_and_by_need() -> None:
    quality = simulate(make_world(6, 4, feeders="by_quality"), 2)
    up = quality.truth["nectar"].groupby("site")["feeder_ports"].mean()
    rank = pd.Series({station.site: station.quality for station in quality.world.stations})
    assert up.corr(rank) > 0.5
    need = simulate(make_world(4, 8, feeders="by_need"), 2).truth["nectar"]
    late = need.query("220 <= day <= 260").groupby(["site", "season"])
    nectar = np.log(late["nectar_kj_per_ha"].mean() + 1)
    anomaly = nectar - nectar.groupby("site").transform("mean")
    assert anomaly.corr(late["feeder_ports"].mean()) < -0.3


def test_equal_fuel_is_equal() -> None:
    study = simulate(make_world(3, 3, equal_fuel=True), 4)
    fuel = study.truth["captures"].groupby("role")["dawn_fuel"]
    gap = fuel.mean()["local"] - fuel.mean()["passage"]
    error = np.sqrt((fuel.var() / fuel.size()).sum())
    assert abs(gap) < 4 * error
    unequal = simulate(make_world(3, 3), 4).truth["captures"].groupby("role")["dawn_fuel"].mean()
    assert unequal["passage"] > unequal["local"] + 0.03


@pytest.mark.parametrize("monsoon_effect", [True, False])
def test_summer_rain_moves_flowers_only_where_it_may(monsoon_effect: bool) -> None:
    world = make_world(2, 2, monsoon_effect=monsoon_effect)
    weather = simulate_weather(world, np.random.default_rng(1))
    dry = weather.rain_mm.copy()
    for season in world.seasons:
        start = weather.from_january(season) + 151
        dry[:, start : start + 130] = 0.0
    as_it_was, without = (
        grow_flowers(world, each, np.random.default_rng(2)).flowers_per_ha
        for each in (weather, replace(weather, rain_mm=dry))
    )
    summer = slice(152 - FIRST_DAY, DAYS)
    lost = 1 - without[..., summer].sum() / as_it_was[..., summer].sum()
    assert lost > 0.3 if monsoon_effect else lost == 0.0
    # before summer nothing differs
    np.testing.assert_array_equal(
        without[..., : 151 - FIRST_DAY], as_it_was[..., : 151 - FIRST_DAY]
    )


def test_a_wet_winter_makes_an_early_bloom() -> None:
    world = make_world(1, 1)
    weather = simulate_weather(world, np.random.default_rng(1))
    wet = weather.rain_mm.copy()
    wet[:, :150] *= 3.0
    early = [
        grow_flowers(world, each, np.random.default_rng(2)).flowers_per_ha[..., :2, 40:80].sum()
        for each in (weather, replace(weather, rain_mm=wet))
    ]
    assert early[1] > 1.2 * early[0]


def test_the_monsoon_is_moist_and_wet() -> None:
    world = make_world(1, 20)
    weather = simulate_weather(world, np.random.default_rng(6))
    for index, season in enumerate(world.seasons):
        start = weather.from_january(season) - 1
        onset, last = weather.onset_day[index], weather.withdrawal_day[index]
        within = slice(start + onset, start + last + 1)
        before = slice(start + 120, start + onset - 20)
        dew, rain = weather.dewpoint_c[0], weather.rain_mm[0]
        assert dew[within].mean() > dew[before].mean() + 5
        assert rain[within].mean() > rain[before].mean()
    assert (weather.dewpoint_c < weather.tmean_c).all()
    assert 0.2 < weather.false_start.mean() < 0.7


def test_dates_of_a_local_curve_are_half_rise_and_half_fall() -> None:
    world = make_world(1, 1)
    birds = np.zeros(DAYS, dtype=np.int64)
    birds[60:120] = 10
    dates = season_dates(birds, world, local=True)
    assert dates["arrival_day"] == pytest.approx(60 + FIRST_DAY, abs=1)
    assert dates["departure_day"] == pytest.approx(119 + FIRST_DAY, abs=1)
    birds[:60] = 10
    assert np.isnan(season_dates(birds, world, local=True)["arrival_day"])
    assert season_dates(np.zeros(DAYS, dtype=np.int64), world, local=True)["bird_days"] == 0


def test_counts_are_made_without_bait(study: SimulatedStudy) -> None:
    plan = replace(study.world.stations[0].plan, count_every=5)
    stations = tuple(replace(station, plan=plan) for station in study.world.stations)
    counted = simulate(replace(study.world, stations=stations), 11)
    seen = counted.sheets["counts"].groupby("date")["count"].sum()
    assert seen.sum() > 500
    pd.testing.assert_frame_equal(counted.truth["presence"], study.truth["presence"])


def test_lost_seasons_have_no_work() -> None:
    world = make_world(2, 3)
    lost = replace(world.stations[0], lost=((2032, "flood", "the road is gone"),))
    study = simulate(replace(world, stations=(lost, world.stations[1])), 3)
    effort = study.sheets["effort"]
    worked = set(zip(effort["site"], effort["date"].str[:4], strict=True))
    assert ("site1", "2032") not in worked
    assert ("site2", "2032") in worked
    assert study.sheets["events"]["kind"].tolist() == ["flood"]
    assert study.truth["numbers"].query("site == 'site1' and season == 2032")["bird_days"].sum() > 0


def test_a_world_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="without gaps"):
        World(make_world(1, 1).stations, (2031, 2033))
    with pytest.raises(ValueError, match="a station and a season"):
        World((), (2031,))
