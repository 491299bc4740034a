"""study.toml, read strictly: every key is declared here, an unknown one is an error."""

import re
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, fields
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from phenology.errors import StudyError
from phenology.quantities import SPECIES_ROLES
from phenology.sheets.contract import sheet_contracts

FAT_SCALES = ("0-5", "0-7", "0-8", "words")
GROUP_CLASSES = ("age", "sex")


@dataclass(frozen=True)
class SeasonWindow:
    """The part of the year under study, "MM-DD" to "MM-DD"; may cross New Year."""

    name: str
    start: str
    until: str


@dataclass(frozen=True)
class SpeciesOptions:
    """Role of a species at the study's sites and the codes that mean it."""

    role: str
    codes: tuple[str, ...] = ()
    sites: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class MeasurementOptions:
    """A measurement of the study's own: its heading in the captures and what is possible."""

    heading: str
    range: tuple[float, float] | None = None


@dataclass(frozen=True)
class WeatherOptions:
    """Where weather comes from, how it is brought to a site, and what counts as the monsoon.

    `combine` weighs all stations by distance and height instead of taking the best one,
    `combine_rain` averages rain as well; the rates are the fall of temperature and dew point
    with height [°C/km]. Without a threshold the dew point of moist air is learned.
    """

    source: str | None = None
    combine: bool = False
    combine_rain: bool = False
    reach_km: float = 75.0
    temperature_c_per_km: float = 6.5
    dewpoint_c_per_km: float = 1.8
    allow_forecast: bool = False
    threshold_c: float | None = None
    run_days: int = 3


@dataclass(frozen=True)
class StudyOptions:
    """Everything study.toml says, with defaults for what it leaves out."""

    name: str
    species: dict[str, SpeciesOptions]
    seasons: tuple[SeasonWindow, ...] = ()
    group_by: tuple[str, ...] = ("age", "sex")
    fat_scale: str = "0-5"
    fat_levels: tuple[str, ...] = ()
    next_stop_km: float | None = None
    weather: WeatherOptions = field(default_factory=WeatherOptions)
    coarsen_km: float = 10.0
    seed: int = 1
    date_order: str | None = None
    limits: dict[str, float] = field(default_factory=dict)
    headings: dict[str, dict[str, str]] = field(default_factory=dict)
    codes: dict[str, dict[str, dict[str, str]]] = field(default_factory=dict)
    measurements: dict[str, MeasurementOptions] = field(default_factory=dict)
    declared: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)  # as written


def read_options(path: Path) -> StudyOptions:
    """Read study.toml.

    Parameters
    ----------
    path : Path
        The file itself.

    Returns
    -------
    StudyOptions

    Raises
    ------
    StudyError
        If the file is missing, is no TOML, lacks `name` or `[species]`, has an unknown key
        (the nearest known one is named) or a value of the wrong kind.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise StudyError(
            f"{path.parent} is no study folder: it has no study.toml.",
            "Make one with 'site-support new FOLDER', or name the folder that has it.",
        ) from None
    except OSError as error:
        raise StudyError(f"study.toml cannot be read: {error.strerror or error}.") from None
    except UnicodeDecodeError as error:
        raise StudyError(f"study.toml cannot be read: {error}.") from None
    try:
        declared = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise StudyError(f"study.toml is not valid TOML: {error}.") from None
    return parse_options(declared)


def parse_options(declared: dict[str, Any]) -> StudyOptions:
    """Check a parsed study.toml and fill in defaults.

    Examples
    --------
    >>> species = {"Selasphorus rufus": "passage"}
    >>> options = parse_options({"name": "Two stations", "species": species})
    >>> options.species["Selasphorus rufus"].role
    'passage'
    """
    _known(declared, _TOP, "study.toml")
    for key in ("name", "species"):
        if key not in declared:
            raise StudyError(f"study.toml has no '{key}'.", f"Add {_EXAMPLES[key]}.")
    name = _text(declared["name"], "name")
    if not declared["species"] or not isinstance(declared["species"], dict):
        raise StudyError("study.toml has no species.", f"Add {_EXAMPLES['species']}.")
    groups = _table(declared, "groups", {"by"})
    fat = _table(declared, "fat", {"scale", "levels"})
    onward = _table(declared, "onward", {"next_stop_km"})
    sharing = _table(declared, "sharing", {"coarsen_km"})
    run = _table(declared, "run", {"seed"})
    dates = _table(declared, "dates", {"order"})
    limits = _table(declared, "limits", {"birds_per_hour", "heat_c", "handling_min"})
    levels = _list(fat.get("levels", []), "fat.levels", _text)
    if "levels" in fat and len(levels) < 2:
        raise StudyError("study.toml: fat.levels needs two levels or more, leanest first.")
    return StudyOptions(
        name=name,
        species={
            species: _species(species, value) for species, value in declared["species"].items()
        },
        seasons=_seasons(declared.get("season", [])),
        group_by=_list(groups.get("by", list(GROUP_CLASSES)), "groups.by", _one_of(GROUP_CLASSES)),
        fat_scale="own" if levels else _one_of(FAT_SCALES)(fat.get("scale", "0-5"), "fat.scale"),
        fat_levels=levels,
        next_stop_km=_positive(onward["next_stop_km"], "onward.next_stop_km") if onward else None,
        weather=_weather(declared),
        coarsen_km=_positive(sharing.get("coarsen_km", 10.0), "sharing.coarsen_km"),
        seed=_whole(run.get("seed", 1), "run.seed"),
        date_order=(
            _one_of(("month-first", "day-first"))(dates["order"], "dates.order")
            if "order" in dates
            else None
        ),
        limits={key: _positive(value, f"limits.{key}") for key, value in limits.items()},
        headings=_headings(declared.get("columns", {})),
        codes=_codes(declared.get("codes", {})),
        measurements=_measurements(declared.get("measurements", {})),
        declared=declared,
    )


_TOP = (
    "name",
    "season",
    "species",
    "groups",
    "fat",
    "onward",
    "weather",
    "sharing",
    "run",
    "dates",
    "limits",
    "columns",
    "codes",
    "measurements",
)
MEASUREMENT_UNITS = {
    "mm": "mm",
    "cm": "cm",
    "g": "g",
    "mg": "mg",
    "c": "degrees C",
    "share": "share",
    "score": "score",
    "count": "count",
}
_EXAMPLES = {
    "name": 'a line such as name = "Invented stations"',
    "species": 'a table such as [species] with "Selasphorus rufus" = "passage"',
}


def _known(given: Iterable[str], known: Iterable[str], where: str) -> None:
    known = tuple(known)
    for key in given:
        if key not in known:
            near = get_close_matches(key, known, n=1, cutoff=0.5)
            hint = f"Did you mean '{near[0]}'?" if near else f"Known: {', '.join(known)}."
            raise StudyError(f"{where} has an unknown key '{key}'.", hint)


def _table(declared: dict[str, Any], key: str, known: Iterable[str]) -> dict[str, Any]:
    value = declared.get(key, {})
    if not isinstance(value, dict):
        raise StudyError(f"study.toml: [{key}] must be a table.")
    _known(value, sorted(known), f"study.toml [{key}]")
    return value


def _text(value: Any, where: str) -> str:
    if not isinstance(value, str) or not value.strip():
        raise StudyError(f"study.toml: {where} must be text, not {value!r}.")
    return value.strip()


def _positive(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e9:
        raise StudyError(f"study.toml: {where} must be a number above 0, not {value!r}.")
    return float(value)


def _whole(value: Any, where: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**31:
        raise StudyError(f"study.toml: {where} must be a whole number, not {value!r}.")
    return value


def _one_of(choices: tuple[str, ...]) -> Callable[[Any, str], str]:
    def parse(value: Any, where: str) -> str:
        if not isinstance(value, str) or value not in choices:
            raise StudyError(
                f"study.toml: {where} is {value!r}.", f"Choose one of: {', '.join(choices)}."
            )
        return value

    return parse


def _list(value: Any, where: str, parse: Callable[[Any, str], str]) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise StudyError(f"study.toml: {where} must be a list, not {value!r}.")
    parsed = tuple(parse(entry, where) for entry in value)
    if len(set(parsed)) < len(parsed):
        raise StudyError(f"study.toml: {where} names an entry twice.")
    return parsed


def _species(species: str, value: Any) -> SpeciesOptions:
    where = f'species."{species}"'
    role = _one_of(SPECIES_ROLES)
    if isinstance(value, str):
        return SpeciesOptions(role=role(value, where))
    if not isinstance(value, dict) or "role" not in value:
        raise StudyError(
            f"study.toml: {where} must be a role or a table with a role.",
            f"Choose one of: {', '.join(SPECIES_ROLES)}.",
        )
    _known(value, ("role", "codes", "sites"), f"study.toml [{where}]")
    sites = value.get("sites", {})
    if not isinstance(sites, dict):
        raise StudyError(f"study.toml: {where}.sites must be a table of site = role.")
    return SpeciesOptions(
        role=role(value["role"], f"{where}.role"),
        codes=_list(value.get("codes", []), f"{where}.codes", _text),
        sites={site: role(at, f"{where}.sites.{site}") for site, at in sites.items()},
    )


def _weather(declared: dict[str, Any]) -> WeatherOptions:
    given = _table(declared, "weather", {option.name for option in fields(WeatherOptions)})
    parse: dict[str, Callable[[Any, str], Any]] = {
        "source": _one_of(("sheet", "meteostat")),
        "combine": _yes_no,
        "combine_rain": _yes_no,
        "allow_forecast": _yes_no,
        "run_days": _whole,
        "threshold_c": _degrees_c,
    }
    parsed: dict[str, Any] = {}
    for key, value in given.items():
        of_kind: Callable[[Any, str], Any] = parse.get(key, _positive)
        parsed[key] = of_kind(value, f"weather.{key}")
    if parsed.get("run_days") == 0:
        raise StudyError("study.toml: weather.run_days must be 1 or more.")
    return WeatherOptions(**parsed)


def _yes_no(value: Any, where: str) -> bool:
    if not isinstance(value, bool):
        raise StudyError(f"study.toml: {where} must be true or false, not {value!r}.")
    return value


def _degrees_c(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not -40 <= value <= 40:
        raise StudyError(
            f"study.toml: {where} must be a dew point in °C, from -40 to 40, not {value!r}."
        )
    return float(value)


def _seasons(value: Any) -> tuple[SeasonWindow, ...]:
    entries = value if isinstance(value, list) else [value]
    windows = []
    for entry in entries:
        if not isinstance(entry, dict):
            raise StudyError("study.toml: [season] must be a table with from and until.")
        _known(entry, ("name", "from", "until"), "study.toml [season]")
        for key in ("from", "until"):
            if key not in entry:
                raise StudyError(f"study.toml: [season] has no '{key}'.", 'Write it as "06-15".')
        if len(entries) > 1 and "name" not in entry:
            raise StudyError("study.toml: each of several [[season]] needs a name.")
        windows.append(
            SeasonWindow(
                name=_text(entry.get("name", "season"), "season.name"),
                start=_month_day(entry["from"], "season.from"),
                until=_month_day(entry["until"], "season.until"),
            )
        )
    if len({window.name for window in windows}) < len(windows):
        raise StudyError("study.toml: two seasons have one name.")
    return tuple(windows)


def _month_day(value: Any, where: str) -> str:
    try:
        month, day = (int(part) for part in str(value).split("-"))
        return f"{date(2024, month, day):%m-%d}"
    except ValueError:
        raise StudyError(
            f"study.toml: {where} is {value!r}.", 'Write month and day as "06-15".'
        ) from None


def _headings(value: Any) -> dict[str, dict[str, str]]:
    return {
        sheet: {
            column: _text(heading, f"columns.{sheet}.{column}") for column, heading in named.items()
        }
        for sheet, named in _by_sheet(value, "columns").items()
    }


def _codes(value: Any) -> dict[str, dict[str, dict[str, str]]]:
    parsed: dict[str, dict[str, dict[str, str]]] = {}
    for sheet, columns in _by_sheet(value, "codes").items():
        for column, meanings in columns.items():
            if not isinstance(meanings, dict):
                raise StudyError(f"study.toml: [codes.{sheet}.{column}] must be a table.")
            parsed.setdefault(sheet, {})[column] = {
                code: _text(meaning, f"codes.{sheet}.{column}.{code}")
                for code, meaning in meanings.items()
            }
    return parsed


def _measurements(value: Any) -> dict[str, MeasurementOptions]:
    if not isinstance(value, dict):
        raise StudyError("study.toml: [measurements] must be a table of name = heading.")
    parsed = {}
    for name, entry in value.items():
        where = f"measurements.{name}"
        suffix = name.rpartition("_")[2]
        named_well = re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)+", name)
        if not named_well or suffix not in MEASUREMENT_UNITS:
            raise StudyError(
                f"study.toml: {where} must be a name in lower case that ends in its unit.",
                f"Known endings: {', '.join('_' + unit for unit in MEASUREMENT_UNITS)}.",
            )
        if name in sheet_contracts()["captures"].columns:
            raise StudyError(
                f"study.toml: {where} is a column of the captures already.",
                "Map its heading in [columns.captures].",
            )
        table = {"heading": entry} if isinstance(entry, str) else entry
        if not isinstance(table, dict) or "heading" not in table:
            raise StudyError(f"study.toml: {where} must be a heading or a table with a heading.")
        _known(table, ("heading", "range"), f"study.toml [{where}]")
        parsed[name] = MeasurementOptions(
            heading=_text(table["heading"], f"{where}.heading"),
            range=_range(table["range"], f"{where}.range") if "range" in table else None,
        )
    return parsed


def _range(value: Any, where: str) -> tuple[float, float]:
    if (
        not isinstance(value, list)
        or len(value) != 2
        or any(isinstance(end, bool) or not isinstance(end, int | float) for end in value)
        or not value[0] < value[1]
    ):
        raise StudyError(f"study.toml: {where} must be [low, high], not {value!r}.")
    return float(value[0]), float(value[1])


def _by_sheet(value: Any, table: str) -> dict[str, dict[str, Any]]:
    contracts = sheet_contracts()
    if not isinstance(value, dict):
        raise StudyError(f"study.toml: [{table}] must be a table by sheet.")
    _known(value, contracts, f"study.toml [{table}]")
    for sheet, columns in value.items():
        if not isinstance(columns, dict):
            raise StudyError(f"study.toml: [{table}.{sheet}] must be a table by column.")
        _known(columns, contracts[sheet].columns, f"study.toml [{table}.{sheet}]")
    return value
