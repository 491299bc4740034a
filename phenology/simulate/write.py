"""Write a simulated study: the sheets as a study folder, the truth in a folder beside them."""

from __future__ import annotations

import csv
import io
import json
import math
from typing import TYPE_CHECKING

import pandas as pd

from phenology.publish import MANIFEST

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping
    from pathlib import Path

    from phenology.models.simulated_season import SimulatedStudy
    from phenology.models.simulated_season_world import World

TRUTH_FOLDER = "truth"

# digits after the point, by column: fixed, so that a study is the same bytes everywhere
DECIMALS = {
    "latitude": 3,
    "longitude": 3,
    "elevation_m": 0,
    "flowering_area_ha": 1,
    "wing_mm": 1,
    "tail_mm": 1,
    "bill_mm": 1,
    "r5_width_mm": 1,
    "tmin_c": 1,
    "tmax_c": 1,
    "dewpoint_c": 1,
    "rain_mm": 1,
    "snow_cm": 0,
    "litres_filled_per_day": 2,
    "nectar_mg_per_flower_day": 1,
    "low": 2,
    "high": 2,
}
TRUTH_DECIMALS = 3
IN_THE_SHEET = ("site", "date", "season", "day", "species")  # of a capture, not told twice


def write_study(
    simulated: SimulatedStudy,
    folder: Path,
    *,
    truth: Collection[str] | None = None,
    caught_only: bool = False,
    sheets: Mapping[str, pd.DataFrame] | None = None,
    layers: Mapping[str, str] | None = None,
    name: str = "Simulated stations",
) -> None:
    """Write a simulated study as a folder that the reader opens.

    Parameters
    ----------
    simulated : SimulatedStudy
    folder : Path
        Made if need be.
    truth : collection of str, optional
        Tables of the truth to write; all by default.
    caught_only : bool
        Whether tables with a row a bird keep only birds that were caught.
    sheets : dict of str to pandas.DataFrame, optional
        Text cells to write in place of the simulation's own (`written_sheets`).
    layers : dict of str to str, optional
        Polygons as GeoJSON, by "habitat" and "events".
    name : str
        Name of the study.
    """
    files = {"study.toml": study_toml(simulated.world, name)}
    files |= {f"{kind}.geojson": text for kind, text in (layers or {}).items()}
    written = written_sheets(simulated) if sheets is None else sheets
    files |= {f"{kind}.csv": csv_lines(sheet) for kind, sheet in written.items()}
    for table, rows in simulated.truth.items():
        if truth is not None and table not in truth:
            continue
        kept = rows.drop(columns=[name for name in IN_THE_SHEET if table == "captures"])
        if caught_only and "bird" in rows:
            kept = kept[kept["bird"].isin(simulated.truth["captures"]["bird"])]
        files[f"{TRUTH_FOLDER}/{table}.csv"] = csv_lines(_fixed(kept, {}, TRUTH_DECIMALS))
    write_files(folder, files)


def write_files(folder: Path, files: Mapping[str, str]) -> None:
    """Write texts by their paths in a folder, and a manifest of them."""
    for path, text in files.items():
        place = folder / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(text.encode("utf-8"))
    write_manifest(folder, files)


def write_manifest(folder: Path, files: Iterable[str]) -> None:
    """Say which files of a folder are a simulation's, and so may be replaced."""
    names = sorted([*files, MANIFEST])
    (folder / MANIFEST).write_text(json.dumps({"files": names}, indent=1) + "\n", encoding="utf-8")


def written_sheets(simulated: SimulatedStudy) -> dict[str, pd.DataFrame]:
    """Sheets with every cell as the text that is written.

    Parameters
    ----------
    simulated : SimulatedStudy

    Returns
    -------
    dict of str to pandas.DataFrame
        All cells are text, "" where blank.
    """
    sheets = {kind: _fixed(sheet, DECIMALS, None) for kind, sheet in simulated.sheets.items()}
    steps = {station.site: station.mass_step_g for station in simulated.world.stations}
    captures = simulated.sheets["captures"]
    sheets["captures"]["mass_g"] = [
        mass if isinstance(mass, str) else f"{mass:.1f}" if steps[site] > 0.05 else f"{mass:.2f}"
        for mass, site in zip(captures["mass_g"], captures["site"], strict=True)
    ]
    return sheets


def study_toml(world: World, name: str) -> str:
    """study.toml of a simulated study."""
    lines = [
        "# Invented: birds, places, plants and weather come from a simulation.",
        f'name = "{name}"',
        "",
        "[season]",
        f'from = "{_month_day(world.season_from)}"',
        f'until = "{_month_day(world.season_until)}"',
        "",
        "[species]",
        *(f'"{kind.name}" = "{kind.role}"' for kind in world.species),
        "",
        "[groups]",
        'by = ["age", "sex"]',
        "",
        "[fat]",
        'scale = "0-5"',
        "",
        "[onward]",
        "next_stop_km = 350",
        "",
        "[weather]",
        'source = "sheet"',
        "",
        "[limits]",
        "handling_min = 30",
        "",
        "[run]",
        "seed = 1",
    ]
    return "\n".join(lines) + "\n"


def _month_day(day_of_year: int) -> str:
    return f"{pd.Timestamp('2031-01-01') + pd.Timedelta(days=day_of_year - 1):%m-%d}"


def _fixed(table: pd.DataFrame, decimals: Mapping[str, int], other: int | None) -> pd.DataFrame:
    """Every cell as text, floats with fixed digits."""
    written = {}
    for column in table.columns:
        digits = decimals.get(str(column), other)
        written[column] = [_text(value, digits) for value in table[column].tolist()]
    return pd.DataFrame(written, dtype=object)


def _text(value: object, digits: int | None) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if math.isnan(value):
            return ""
        text = f"{value:g}" if digits is None else f"{value:.{digits}f}"
        return text.removeprefix("-") if not float(text) else text
    return str(value)


def csv_lines(table: pd.DataFrame) -> str:
    """Text cells as CSV, lines ended by a single line feed."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(table.columns)
    writer.writerows(table.itertuples(index=False, name=None))
    return out.getvalue()
