"""What a run would share: no bander, no remark, no exact sensitive place."""

import shutil
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from faults import invented_assessment
from kept_private import BANDER, LATITUDE, LONGITUDE, REMARK, SECRETS, tells

from phenology.assess.outputs import write_run
from phenology.places import FROM_STATIONS
from phenology.study.export import write_capture_table, write_darwin_core
from phenology.study.study import open_study

PRIVATE = "private/"  # for the study's own eyes, by its name


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("secret") / "study"
    made.mkdir()
    (made / "study.toml").write_text(
        'name = "Invented stations"\n[species]\n"Selasphorus rufus" = "passage"\n'
        f'[codes.captures.bander]\n"ZQ" = "{BANDER}"\n'
    )
    (made / "sites.csv").write_text(
        "site,name,latitude,longitude,elevation_m,sensitive\n"
        f"fork,Invented fork,{LATITUDE},-{LONGITUDE},2107,yes\n"
    )
    rows = [
        f"fork,2031-07-2{day},07:15,TEST-{day},RUHU,AHY,M,40.{day},3.2{day},2,"
        f'{"ZQ" if day % 2 else BANDER},"{REMARK}"'
        for day in range(9)
    ]
    head = "site,date,time,band,species,age,sex,wing_mm,mass_g,fat,bander,remarks\n"
    (made / "captures.csv").write_text(head + "\n".join(rows) + "\n")
    return made


def test_secrets_are_found_where_they_stand(folder, tmp_path):
    """The search itself: it sees through archives, tables and types."""
    table = tmp_path / "t.parquet"
    pd.DataFrame({"a": [BANDER] * 5, "b": [float(LATITUDE)] * 5}).to_parquet(table)
    assert {BANDER, LATITUDE} <= set(tells(table, SECRETS))
    with zipfile.ZipFile(tmp_path / "z.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("x", f"{REMARK} {LONGITUDE}" * 9)
    assert set(tells(tmp_path / "z.zip", SECRETS)) == {REMARK, LONGITUDE}
    assert tells(folder / "captures.csv", SECRETS) != []


def test_exports_tell_no_secret(folder, tmp_path, tried):
    study = open_study(folder)
    assert BANDER in set(study.captures["bander"])
    write_capture_table(study, tmp_path / "captures.parquet")
    write_darwin_core(study, tmp_path / "archive.zip")
    for name in ("captures.parquet", "archive.zip"):
        assert tells(tmp_path / name, SECRETS) == []
        tried("sharing", f"names, remarks, exact places in {Path(name).suffix}", "none found")


def test_no_shared_file_of_a_run_tells_a_secret(folder, tmp_path, tried):
    """Every file of a run but those in `private`; the answers are invented, the study is read."""
    study = open_study(folder)
    invented = invented_assessment()
    captures = study.captures.drop(columns=["bander", "remarks"]).assign(
        group="Selasphorus rufus adult male", season="2031"
    )
    for name in invented.captures.columns.difference(captures.columns):
        captures[name] = invented.captures[name].iloc[0]
    out = tmp_path / "out"
    out.mkdir()
    days = invented.site_days.assign(
        {name: (("site", "station"), np.full((2, 3), 12.5)) for name in FROM_STATIONS}
    )
    assert days["site"].values.tolist() == ["fork", "ridge"]
    assessment = replace(invented, study=study, captures=captures, inputs=study.inputs)
    write_run(replace(assessment, site_days=days), out)
    with xr.open_dataset(out / "site_days.nc", engine="h5netcdf") as shared:
        for name in FROM_STATIONS:  # else circles about three stations meet at the site
            assert shared[name].sel(site="fork").isnull().all()
            assert (shared[name].sel(site="ridge") == 12.5).all()
    files = [path for path in out.rglob("*") if path.is_file()]
    assert len(files) > 15
    for path in files:
        name = path.relative_to(out).as_posix()
        if not name.startswith(PRIVATE):
            assert tells(path, SECRETS) == [], name
            tried("sharing", f"names, remarks, exact places in {path.suffix}", "none found")


@pytest.mark.slow
def test_a_real_run_tells_no_secret(folder, tmp_path, tried):
    from phenology.assess.run import assess_study

    write_run(assess_study(open_study(folder)), tmp_path)
    for path in tmp_path.rglob("*"):
        if path.is_file() and path.parent.name != "private":
            assert tells(path, SECRETS) == [], path
    tried("run", "names, remarks, exact places in every shared file", "none found")


@pytest.mark.slow  # a season model is sampled
def test_a_forecast_tells_no_secret(folder, tmp_path, tried):
    from phenology.ahead.command import write_forecast
    from phenology.ahead.forecast import forecast_season

    made = tmp_path / "study"
    shutil.copytree(folder, made)
    worked = [f"fork,2031-07-2{day},T1,06:00,11:00,2,yes" for day in range(9)]
    head = "site,date,trap,open,close,traps,baited"
    (made / "effort.csv").write_text("\n".join([head, *worked]) + "\n")
    study = open_study(made)
    forecast = forecast_season(study, 2031, seasons_scored=0, weekdays=("sat", "sun"))
    assert len(forecast.days) > 3
    out = tmp_path / "ahead"
    out.mkdir()
    write_forecast(forecast, out, study.options.name, study.inputs)
    files = [path for path in out.rglob("*") if path.is_file()]
    assert len(files) > 2
    for path in files:
        assert tells(path, SECRETS) == [], path
    tried("forecast", "names, remarks, exact places in every shared file", "none found")
