"""study.toml is read strictly."""

from pathlib import Path

import pytest

from phenology.errors import StudyError
from phenology.study.options import WeatherOptions, parse_options, read_options
from phenology.weather.cache import RawCache
from phenology.weather.combine import Lapse
from phenology.weather.fetch import Fetcher
from phenology.weather.meteostat_source import MeteostatWeather

LEAST = {"name": "Two stations", "species": {"Selasphorus rufus": "passage"}}


def test_the_least_study_gets_every_default() -> None:
    options = parse_options(LEAST)
    assert options.group_by == ("age", "sex")
    assert (options.fat_scale, options.seed, options.coarsen_km) == ("0-5", 1, 10.0)
    assert options.next_stop_km is None


def test_a_full_study_is_understood() -> None:
    options = parse_options(
        LEAST
        | {
            "season": [
                {"name": "spring", "from": "03-01", "until": "05-15"},
                {"name": "winter", "from": "11-15", "until": "02-29"},
            ],
            "species": {
                "Archilochus alexandri": {
                    "role": "local",
                    "codes": ["BCHU"],
                    "sites": {"fork": "mixed"},
                }
            },
            "groups": {"by": ["age"]},
            "fat": {"levels": ["0", "0.5", "1"]},
            "limits": {"heat_c": 35},
            "columns": {"captures": {"wing_mm": "Wing"}},
            "codes": {"captures": {"mass_g": {"x": "not taken"}}},
        }
    )
    assert [window.name for window in options.seasons] == ["spring", "winter"]
    assert options.species["Archilochus alexandri"].sites == {"fork": "mixed"}
    assert options.fat_scale == "own"
    assert options.fat_levels == ("0", "0.5", "1")
    assert options.headings["captures"]["wing_mm"] == "Wing"


@pytest.mark.parametrize(
    ("declared", "message"),
    [
        ({"species": {"A b": "local"}}, "has no 'name'"),
        ({"name": "x"}, "has no 'species'"),
        ({"name": "x", "species": {}}, "has no species"),
        (LEAST | {"seasn": {}}, "unknown key 'seasn'. Did you mean 'season'"),
        (LEAST | {"fat": {"scal": "0-5"}}, "Did you mean 'scale'"),
        (LEAST | {"fat": {"scale": "0-9"}}, "fat.scale is '0-9'. Choose one of"),
        (LEAST | {"species": {"A b": "resident"}}, "Choose one of: local, passage, mixed"),
        (LEAST | {"species": {"A b": {"codes": ["AB"]}}}, "table with a role"),
        (LEAST | {"season": {"from": "13-01", "until": "05-01"}}, "Write month and day"),
        (LEAST | {"season": [{"from": "01-01", "until": "05-01"}] * 2}, "needs a name"),
        (LEAST | {"run": {"seed": 1.5}}, "run.seed must be a whole number"),
        (LEAST | {"onward": {"next_stop_km": -3}}, "must be a number above 0"),
        (LEAST | {"columns": {"captures": {"wing": "W"}}}, "unknown key 'wing'"),
        (LEAST | {"columns": {"capture": {}}}, "Did you mean 'captures'"),
        (LEAST | {"weather": {"reach": 50}}, "Did you mean 'reach_km'"),
        (LEAST | {"weather": {"source": "radio"}}, "Choose one of: sheet, meteostat"),
        (LEAST | {"weather": {"combine": "yes"}}, "weather.combine must be true or false"),
        (LEAST | {"weather": {"run_days": 0}}, "weather.run_days must be 1 or more"),
        (LEAST | {"weather": {"threshold_c": 285}}, "must be a dew point in °C"),
        (LEAST | {"weather": {"reach_km": 0}}, "weather.reach_km must be a number above 0"),
        (LEAST | {"groups": {"by": ["age", "age"]}}, "names an entry twice"),
    ],
)
def test_what_is_wrong_is_named_with_what_to_do(declared: dict[str, object], message: str) -> None:
    with pytest.raises(StudyError, match=message.replace("(", r"\(")):
        parse_options(declared)


def test_a_folder_without_study_toml_is_no_study(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="is no study folder"):
        read_options(tmp_path / "study.toml")


def test_broken_toml_is_one_message(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text("name = ")
    with pytest.raises(StudyError, match="not valid TOML"):
        read_options(tmp_path / "study.toml")


def test_weather_is_brought_to_a_site_as_asked() -> None:
    asked = {"source": "meteostat", "combine": True, "reach_km": 40, "dewpoint_c_per_km": 2.5}
    weather = parse_options(LEAST | {"weather": asked | {"threshold_c": 9.5}}).weather
    source = MeteostatWeather.as_asked(Fetcher(RawCache(Path("unused")), offline=True), weather)
    assert source.combine
    assert not source.combine_rain
    assert source.reach_km == 40.0
    assert source.lapse == Lapse(6.5, 2.5)
    assert not source.allow_forecast
    assert (weather.threshold_c, weather.run_days) == (9.5, 3)


def test_what_study_toml_leaves_out_of_weather_is_the_source_s_own() -> None:
    fetcher = Fetcher(RawCache(Path("unused")), offline=True)
    silent = MeteostatWeather.as_asked(fetcher, WeatherOptions(source="meteostat"))
    assert silent == MeteostatWeather(fetcher)
