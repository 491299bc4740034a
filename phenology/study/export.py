"""The captures for others: a typed table, and a Darwin Core archive."""

from __future__ import annotations

import math
import os
import re
import zipfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import pandas as pd

from phenology.csv_text import csv_text
from phenology.errors import StudyError
from phenology.places import coarsen_sites
from phenology.sheets.measured import LEARNED_UNITS
from phenology.sheets.read import sheet_columns
from phenology.sheets.times import clock
from phenology.study.study import Study

PRIVATE_COLUMNS = ("bander", "remarks")
_TERMS = "http://rs.tdwg.org/dwc/terms/"
_ROWS = {
    "event.csv": f"{_TERMS}Event",
    "occurrence.csv": f"{_TERMS}Occurrence",
    "measurement.csv": f"{_TERMS}MeasurementOrFact",
}
_CAPTURE_METHOD = {"trap": "trap", "net": "mist net"}
_OPEN_UNCERTAINTY_M = 100


def write_capture_table(study: Study, path: Path) -> None:
    """Write the used captures as Parquet: the contract's columns, no banders, no remarks.

    Parameters
    ----------
    study : Study
    path : Path
        Replaced whole, or left as it was.
    """
    table = study.captures.drop(columns=list(PRIVATE_COLUMNS))
    _write_whole(path, lambda building: table.to_parquet(building, index=False))


def write_darwin_core(study: Study, path: Path) -> None:
    """Write a Darwin Core archive: sessions as events, captures as occurrences, measurements.

    Coordinates of sensitive sites are coarsened to the study's `coarsen_km`, and say so in
    dataGeneralizations and informationWithheld. Banders and remarks are left out.

    Parameters
    ----------
    study : Study
    path : Path
        A .zip; replaced whole, or left as it was.

    References
    ----------
    Darwin Core text guide, https://dwc.tdwg.org/text/
    """
    events = _events(study)
    occurrences = _occurrences(study)
    tables = {
        "event.csv": events,
        "occurrence.csv": occurrences,
        "measurement.csv": _measurements(study),
    }

    def write(building: Path) -> None:
        with zipfile.ZipFile(building, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, table in tables.items():
                archive.writestr(name, csv_text(table))
            archive.writestr("meta.xml", _meta(tables))
            archive.writestr("eml.xml", _eml(study))

    _write_whole(path, write)


def _write_whole(path: Path, write: Callable[[Path], object]) -> None:
    building = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        write(building)
        building.replace(path)
    except OSError as error:
        raise StudyError(f"{path} cannot be written: {error.strerror or error}.") from None
    finally:
        with suppress(OSError):  # gone into its place, or the system refuses this too
            building.unlink()


def _places(study: Study) -> pd.DataFrame:
    km = study.options.coarsen_km
    sites = study.sites.drop_duplicates("site")
    shown = coarsen_sites(sites, km).set_index("site")
    sensitive = shown["sensitive"].to_numpy(bool)
    places = pd.DataFrame(index=shown.index)
    for term, name in (("decimalLatitude", "latitude"), ("decimalLongitude", "longitude")):
        places[term] = shown[name].round(3).where(sensitive, shown[name])
    places["geodeticDatum"] = "EPSG:4326"
    places["coordinateUncertaintyInMeters"] = np.where(
        sensitive, math.ceil(km * 1000 * math.sqrt(0.5)), _OPEN_UNCERTAINTY_M
    )
    withheld = "exact coordinates of a sensitive site; names of banders; remarks"
    places["informationWithheld"] = np.where(sensitive, withheld, "names of banders; remarks")
    places["dataGeneralizations"] = np.where(
        sensitive, f"coordinates coarsened to a grid of {km:g} km", ""
    )
    return places


def _event_ids(table: pd.DataFrame) -> pd.Series:
    return table["site"].str.cat(table["date"].dt.strftime("%Y-%m-%d"), sep=":")


def _events(study: Study) -> pd.DataFrame:
    """One event a site and day, with the effort of its sessions."""
    days = study.captures[["site", "date"]]
    if study.effort is not None:
        days = pd.concat([days, study.effort[["site", "date"]]])
    days = days.drop_duplicates().sort_values(["site", "date"], ignore_index=True)
    events = pd.DataFrame({"eventID": _event_ids(days)})
    events["eventDate"] = days["date"].dt.strftime("%Y-%m-%d")
    events["locationID"] = days["site"]
    events = events.merge(_effort_of_days(study), on="eventID", how="left")
    return events.join(_places(study), on="locationID")


def _effort_of_days(study: Study) -> pd.DataFrame:
    columns = ["eventID", "samplingProtocol", "sampleSizeValue", "sampleSizeUnit", "samplingEffort"]
    if study.effort is None:
        return pd.DataFrame({name: pd.Series(dtype="str") for name in columns})
    effort = study.effort
    sessions = pd.DataFrame(
        {
            "eventID": _event_ids(effort),
            "method": effort["method"].map(_CAPTURE_METHOD).fillna("trap or net"),
            "unit": effort["method"].fillna("trap"),
            "hours": (effort["close"] - effort["open"]) * effort["traps"].fillna(1),
        }
    )
    rows = []
    for event, group in sessions.groupby("eventID", sort=False):
        by_unit = group.groupby("unit")["hours"].sum(min_count=1).dropna()
        one = len(by_unit) == 1
        rows.append(
            {
                "eventID": event,
                "samplingProtocol": " | ".join(sorted(set(group["method"]))),
                "sampleSizeValue": round(float(by_unit.iloc[0]), 3) if one else np.nan,
                "sampleSizeUnit": f"{by_unit.index[0]}-hours" if one else "",
                "samplingEffort": "; ".join(f"{h:.2f} {unit}-hours" for unit, h in by_unit.items()),
            }
        )
    return pd.DataFrame(rows, columns=columns)


def _occurrence_ids(captures: pd.DataFrame) -> pd.Series:
    place = captures["file"].str.cat(captures["tab"].fillna(""), sep=":")
    return place.str.cat(captures["row"].astype("str"), sep=":")


def _occurrences(study: Study) -> pd.DataFrame:
    captures = study.captures
    caught = captures["time"].map(lambda hours: "" if pd.isna(hours) else clock(hours))
    return pd.DataFrame(
        {
            "eventID": _event_ids(captures),
            "occurrenceID": _occurrence_ids(captures),
            "organismID": captures["band"],
            "basisOfRecord": "HumanObservation",
            "occurrenceStatus": "present",
            "individualCount": 1,
            "scientificName": captures["species"],
            "sex": captures["sex"],
            "lifeStage": captures["age"].replace({"young": "juvenile"}),
            "eventTime": caught,
        }
    )


def _measurements(study: Study) -> pd.DataFrame:
    captures = study.captures
    occurrence, event = _occurrence_ids(captures), _event_ids(captures)
    scale = study.options.fat_scale
    tables = []
    for name, column in sheet_columns("captures", study.options).items():
        measured = column.kind == "number" and column.unit in LEARNED_UNITS
        if not (measured or name == "fat"):
            continue
        here = captures[name].notna()
        tables.append(
            pd.DataFrame(
                {
                    "eventID": event[here],
                    "occurrenceID": occurrence[here],
                    "measurementType": _words(name, column.unit),
                    "measurementValue": captures.loc[here, name].astype("str"),
                    "measurementUnit": column.unit if measured else "",
                    "measurementMethod": "" if measured else f"fat scale {scale}",
                }
            )
        )
    return pd.concat(tables, ignore_index=True)


def _words(name: str, unit: str) -> str:
    return re.sub(rf"_{re.escape(unit)}$", "", name).replace("_", " ") if unit else name


def _meta(tables: dict[str, pd.DataFrame]) -> str:
    """Describe the files of the archive (Darwin Core text guide)."""
    parts = []
    for name, table in tables.items():
        tag, key = ("core", "id") if name == "event.csv" else ("extension", "coreid")
        fields = "".join(
            f'<field index="{place}" term="{_TERMS}{column}"/>'
            for place, column in enumerate(table.columns)
        )
        parts.append(
            f'<{tag} encoding="UTF-8" fieldsTerminatedBy="," linesTerminatedBy="\\n" '
            f'fieldsEnclosedBy="&quot;" ignoreHeaderLines="1" rowType={quoteattr(_ROWS[name])}>'
            f"<files><location>{name}</location></files>"
            f'<{key} index="0"/>{fields}</{tag}>'
        )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<archive xmlns="http://rs.tdwg.org/dwc/text/" metadata="eml.xml">'
        + "".join(parts)
        + "</archive>\n"
    )


def _eml(study: Study) -> str:
    dates = study.captures["date"]
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<eml:eml xmlns:eml="https://eml.ecoinformatics.org/eml-2.2.0" packageId="captures" '
        'system="local"><dataset>'
        f"<title>{escape(study.options.name)}</title>"
        f"<abstract><para>Captures of birds from {dates.min():%Y-%m-%d} to {dates.max():%Y-%m-%d}."
        "</para></abstract></dataset></eml:eml>\n"
    )
