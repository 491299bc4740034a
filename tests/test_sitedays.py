"""Everything joined on (site, date)."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import xarray as xr

from phenology import open_study
from phenology.groups import assign_groups
from phenology.sitedays import join_site_days, study_weather

WriteStudy = Callable[..., Path]


def _bird(date: str, band: str, **more: object) -> dict[str, object]:
    bird = {"site": "fork", "date": date, "time": "08:00", "band": band, "trap": ""}
    return bird | {"species": "Selasphorus rufus", "age": "adult", "sex": "male"} | more


def _session(date: str, trap: str, **more: object) -> dict[str, object]:
    session = {"site": "fork", "date": date, "trap": trap, "open": "06:00", "close": "10:00"}
    return session | {"traps": 1, "method": "trap", "baited": "yes"} | more


def _join(folder: Path) -> xr.Dataset:
    study = open_study(folder)
    groups = assign_groups(study.captures, study.options.group_by, seed=1)["group"]
    return join_site_days(study, groups, seed=1)


def _caught(joined: xr.Dataset, date: str, bait: str) -> int:
    return int(joined["captures"].sel(site="fork", date=date, bait=bait).sum())


def test_a_bird_caught_twice_in_a_day_counts_once_and_unbanded_birds_each(
    write_study: WriteStudy,
) -> None:
    birds = [
        _bird("2031-07-20", "TEST-1", time="07:00"),
        _bird("2031-07-20", "TEST-1", time="09:00", capture="repeat"),
        _bird("2031-07-20", "", capture="unbanded"),
        _bird("2031-07-20", "", capture="unbanded"),
        _bird("2031-07-22", "TEST-1", capture="repeat"),
    ]
    joined = _join(write_study(captures=birds))
    assert _caught(joined, "2031-07-20", "baited") == 3
    assert _caught(joined, "2031-07-22", "baited") == 1
    assert joined.attrs["effort_known"] == 0


def test_effort_is_device_hours_and_a_net_is_told_from_a_baited_trap(
    write_study: WriteStudy,
) -> None:
    effort = [
        _session("2031-07-20", "A", traps=2),
        _session("2031-07-20", "N", method="net", baited="no", close="08:30"),
    ]
    birds = [
        _bird("2031-07-20", "TEST-1", trap="A"),
        _bird("2031-07-20", "TEST-2", trap="N"),
    ]
    joined = _join(write_study(captures=birds, effort=effort))
    hours = joined["effort_hours"].sel(site="fork", date="2031-07-20")
    assert hours.sel(bait="baited").item() == 8.0
    assert hours.sel(bait="unbaited").item() == 2.5
    assert (_caught(joined, "2031-07-20", "baited"), _caught(joined, "2031-07-20", "unbaited")) == (
        1,
        1,
    )


def test_a_bird_without_a_trap_belongs_to_the_days_sessions_together(
    write_study: WriteStudy,
) -> None:
    effort = [_session("2031-07-20", "A"), _session("2031-07-20", "N", method="net", baited="no")]
    birds = [_bird("2031-07-20", "TEST-1"), _bird("2031-07-20", "TEST-2", trap="A")]
    joined = _join(write_study(captures=birds, effort=effort))
    assert _caught(joined, "2031-07-20", "either") == 2
    hours = joined["effort_hours"].sel(site="fork", date="2031-07-20")
    assert hours.sel(bait="either").item() == 8.0
    assert hours.sum().item() == 8.0


def test_a_sampled_day_without_birds_is_a_zero_and_a_full_day_is_marked(
    write_study: WriteStudy,
) -> None:
    effort = [
        _session("2031-07-20", "A", closed_because="full"),
        _session("2031-07-25", "A", closed_because="planned"),
    ]
    joined = _join(write_study(captures=[_bird("2031-07-20", "TEST-1")], effort=effort))
    assert bool(joined["sampled"].sel(site="fork", date="2031-07-25"))
    assert not bool(joined["sampled"].sel(site="fork", date="2031-07-24"))
    assert bool(joined["full"].sel(site="fork", date="2031-07-20", bait="baited"))
    assert int(joined["full"].sum()) == 1


def test_feeders_hang_from_the_first_to_the_last_day_and_silence_is_unknown(
    write_study: WriteStudy,
) -> None:
    stations = [
        {"site": name, "latitude": 30.1, "longitude": -108.2, "elevation_m": 2100}
        for name in ("fork", "spring")
    ]
    spans = [
        {"site": "fork", "from": "2031-07-01", "until": "2031-07-10", "feeders": 2, "ports": 8}
    ]
    birds = [_bird("2031-07-05", "TEST-1"), _bird("2031-07-12", "TEST-2")]
    joined = _join(write_study(sites=stations, captures=birds, feeders=spans))
    up = joined["feeders_up"]
    assert up.sel(site="fork", date="2031-07-10").item() == 1.0
    assert up.sel(site="fork", date="2031-07-11").item() == 0.0
    assert joined["feeder_ports"].sel(site="fork", date="2031-07-05").item() == 8.0
    assert np.isnan(up.sel(site="spring")).all()


def test_every_used_bird_is_counted_once(write_study: WriteStudy) -> None:
    rng = np.random.default_rng(4)
    birds = [
        _bird(f"2031-07-{day:02d}", f"TEST-{day}-{number}")
        for day in range(1, 29)
        for number in range(rng.poisson(3))
    ]
    joined = _join(write_study(captures=birds))
    assert int(joined["captures"].sum()) == len(birds)


def test_weather_of_all_years_is_known_and_only_the_sampled_ones_are_joined(
    write_study: WriteStudy,
) -> None:
    days = [f"{year}-{month:02d}-15" for year in range(2020, 2032) for month in range(1, 13)]
    weather = [{"site": "fork", "date": day, "rain_mm": "3"} for day in days]
    folder = write_study(captures=[_bird("2031-07-20", "TEST-1")], weather=weather)
    known = study_weather(open_study(folder))
    assert known is not None
    assert str(known["date"].to_numpy()[0])[:10] == "2019-10-01"
    assert int(known["rain_mm"].notnull().sum()) == len(days)
    joined = _join(folder)
    assert str(joined["date"].to_numpy()[0])[:10] == "2030-10-01"
    assert float(joined["rain_mm"].sel(site="fork", date="2031-02-15")) == 3.0
