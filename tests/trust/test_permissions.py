"""Folders and files that the user may not read or write, by the system's own rules."""

import pandas as pd
import pytest

from phenology.weather.station_days import _keep_days

SHEETS = ("study.toml", "captures.csv", "sites.csv", "effort.xlsx", "weather.parquet")
WRITERS = {  # what a user does in a folder that may only be read, and what must be told
    "run": "out cannot be written",
    "simulate": "out cannot be written",
    "fetch": "Fetched weather cannot be written",
    "page": "study.toml cannot be written",
    "correct": "corrections.csv cannot be written",
}


def inventory(folder):
    return sorted((path.name, path.stat().st_size) for path in folder.rglob("*"))


@pytest.mark.parametrize("what", WRITERS)
def test_a_folder_that_may_only_be_read(breaker, tried, tmp_path, archive_url, what):
    home = tmp_path / "home"
    out = home / "out" if what in ("run", "simulate") else home
    home.mkdir()
    (home / "study.toml").write_text('name = "x"\n[species]\n"Selasphorus rufus" = "passage"\n')
    before = inventory(home)
    home.chmod(0o555)
    told = breaker.order(what, out, powerless=True, url=archive_url)
    home.chmod(0o755)
    assert told["ended"] == "refused", told
    assert WRITERS[what] in told["words"]
    assert inventory(home) == before
    tried(what, "read-only folder", "refused in words")


CLOSED = 0o000
NO_LIST, NO_WAY_IN = 0o311, 0o444  # a folder whose names, or whose files, are kept from us


@pytest.mark.parametrize(
    ("name", "mode"), [*((name, CLOSED) for name in SHEETS), ("", NO_LIST), ("", NO_WAY_IN)]
)
def test_a_file_or_folder_that_may_not_be_read(breaker, tried, write_study, name, mode):
    study = write_study(captures=[{"site": "fork", "date": "2031-07-20", "species": "RUHU"}])
    effort = pd.DataFrame({"site": ["fork"], "date": ["2031-07-20"]})
    effort.to_excel(study / "effort.xlsx", index=False)
    pd.DataFrame({"site": ["fork"], "tmax_c": [20.0]}).to_parquet(study / "weather.parquet")
    assert breaker.order("open", study, powerless=True)["ended"] == "done"
    closed = study / name
    closed.chmod(mode)
    told = breaker.order("open", study, powerless=True)
    closed.chmod(0o755)
    assert told["ended"] == "refused", told
    assert closed.name in told["words"]
    assert "cannot be read: Permission denied" in told["words"]
    tried("reading a study", "a file or folder that may not be read", "refused in words")


def test_parsed_weather_that_cannot_be_kept_is_used_all_the_same(tmp_path, tried):
    in_the_way = tmp_path / "days"
    in_the_way.write_text("")
    _keep_days(pd.DataFrame({"tmin_c": [1.0]}), in_the_way / "fork.parquet")
    assert list(tmp_path.iterdir()) == [in_the_way]
    tried("weather", "parsed days that cannot be kept", "parsed anew by the next run")
