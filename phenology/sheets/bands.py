"""One history per band: what each capture of a bird is, and the doubts that a history raises."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.seasons import season_windows
from phenology.sheets.band_numbers import banded
from phenology.sheets.doubt import Doubt, Sheets

FASTEST_KMH = 80.0  # a direct flight of some hours with the wind behind
FASTEST_KM_PER_DAY = 1200.0  # a rufous hummingbird's longest day (Calder & Jones 1989, quoted)
WING_ERROR_SHARE = 0.035  # two readings of one wing rarely differ by more
WING_ERROR_SPREADS = 4.5
# Change of mass over mass: within a day a bird gains by meals and loses overnight; over days it
# gains at most what the fastest individuals do, 2.17 M^-0.34 % a day with M in kg (Lindström
# 2003), on the days of both captures and those between, and a meal; it cannot lose more than it
# can carry.
WITHIN_DAY_GAIN, WITHIN_DAY_LOSS, MEAL = 0.30, 0.22, 0.10
GAIN_RATE, GAIN_EXPONENT = 2.17, -0.34
LARGEST_LOSS = 0.55


def band_histories(captures: pd.DataFrame) -> pd.DataFrame:
    """Captures of birds whose band was seen more than once, by band and time.

    Parameters
    ----------
    captures : pandas.DataFrame
        Clean captures.

    Returns
    -------
    pandas.DataFrame
        `captures` of those birds with `place` (which capture it is, counted from 0), ordered by
        band, date and time.

    Examples
    --------
    >>> dates = pd.to_datetime(["2031-07-02", "2031-07-01", "2031-07-05"])
    >>> sheet = pd.DataFrame({"band": ["T-1", "T-1", "T-2"], "date": dates, "time": 7.0})
    >>> band_histories(sheet)["place"].tolist()
    [1, 0]
    """
    places = captures["place"] if "place" in captures else np.arange(len(captures))
    bands = captures["band"]
    again = (bands.duplicated(keep=False) & bands.notna()).to_numpy(bool)
    histories = captures.assign(place=places)[again]
    return histories.sort_values(["band", "date", "time", "place"], kind="stable")


def _histories(sheets: Sheets) -> pd.DataFrame:
    """Histories of the study's birds; finding which bands stand twice is done once."""
    again = banded(sheets).again
    return band_histories(sheets.captures.iloc[again].assign(place=again))


def settle_recaptures(sheets: Sheets) -> Iterable[Doubt]:
    """Turn a plain recapture into a repeat or a return, by the band's history.

    Changes the column `capture`: a repeat was caught before in the same season, a return in an
    earlier one; a band that the study never put on is another's.
    """
    read = sheets.reads["captures"]
    captures = read.used
    plain = np.flatnonzero((captures["capture"] == "recapture").to_numpy(bool))
    if not len(plain):
        return
    seasons = capture_seasons(sheets)
    histories = _histories(sheets)
    earlier = histories.groupby("band", sort=False)["place"].shift().to_numpy()
    before = dict(zip(histories["place"], earlier, strict=True))
    kinds = captures["capture"].astype(object).to_numpy().copy()
    for place in plain.tolist():
        former = before.get(place, np.nan)
        if np.isnan(former):
            kinds[place] = "foreign"
            message = "caught again, but no earlier row has its band: taken for another's band"
            yield Doubt("captures", place, "capture", "never_banded", "doubtful", message)
        else:
            kinds[place] = "repeat" if seasons[place] == seasons[int(former)] else "return"
    read.used = captures.assign(capture=pd.array(kinds, dtype="str"))
    read.known_labels.pop("capture", None)


def capture_seasons(sheets: Sheets) -> npt.NDArray[np.int64]:
    """Season of each capture: the year in which it begins; 0 where its date cannot be read."""
    labels = sheets.reads["captures"].labels("date")
    dates = pd.DatetimeIndex(labels.values)
    seasons: npt.NDArray[np.int64] = np.zeros(len(dates) + 1, np.int64)  # the last: no date
    if dates.empty:
        return seasons[labels.codes]
    windows = season_windows(sheets.options.seasons, dates)
    placed = [window.place(dates) for window in windows]
    season: npt.NDArray[np.int64] = placed[0]["season"].to_numpy(np.int64) * len(windows)
    for number, other in enumerate(placed[1:], start=1):
        inside = other["inside"].to_numpy(bool)
        season[inside] = other["season"].to_numpy(np.int64)[inside] * len(windows) + number
    seasons[:-1] = season
    return seasons[labels.codes]


def find_history_conflicts(sheets: Sheets) -> Iterable[Doubt]:
    """Find bands that are new twice, or that change species or sex, or grow younger."""
    histories = _histories(sheets)
    years = histories["date"].dt.year.to_numpy()
    seasons = capture_seasons(sheets)[histories["place"].to_numpy()] if len(histories) else years
    rows = histories[["band", "capture", "species", "sex", "age", "date", "row", "place"]]
    for (number, before), (_, here) in pairwise(enumerate(rows.itertuples(index=False))):
        if before.band != here.band:
            continue
        at = f"{before.date:%Y-%m-%d} (row {before.row})"
        if here.capture == "new":
            yield _of_band(here.place, "band", "new_again", f"new, but caught already on {at}")
        if _differ(before.species, here.species):
            message = f"the band was on a {before.species} on {at}"
            yield _of_band(here.place, "species", "band_changes_species", message)
        if _differ(before.sex, here.sex) and "unknown" not in (before.sex, here.sex):
            message = f"the bird was {before.sex} on {at}"
            yield _of_band(here.place, "sex", "band_changes_sex", message)
        older = seasons[number + 1] > seasons[number]
        if here.age == "young" and (before.age == "adult" or older):
            told = "adult" if before.age == "adult" else "in the hand an earlier year,"
            yield _of_band(here.place, "age", "grows_younger", f"young, but {told} on {at}")


def _differ(before: object, here: object) -> bool:
    return isinstance(before, str) and isinstance(here, str) and before != here


def _of_band(place: int, column: str, kind: str, message: str) -> Doubt:
    return Doubt("captures", int(place), column, kind, "doubtful", message)


def find_repeats_never_banded(sheets: Sheets) -> Iterable[Doubt]:
    """Find repeats and returns whose band no earlier row has."""
    captures = sheets.captures
    said = captures["capture"].isin(["repeat", "return"]).to_numpy(bool)
    if not said.any():
        return
    missing = said & captures["band"].isna().to_numpy(bool)
    histories = _histories(sheets)
    first = ~histories["band"].duplicated().to_numpy()
    followed = np.zeros(len(captures), dtype=bool)
    followed[histories["place"].to_numpy()[~first]] = True
    earliest = captures["date"].min()
    for place in np.flatnonzero(said & ~followed).tolist():
        if missing[place]:
            message = "caught again, but without a band number"
        else:
            message = f"caught again, but no row since {earliest:%Y-%m-%d} put its band on"
        yield _of_band(place, "band", "never_banded", message)


def find_impossible_journeys(
    sheets: Sheets, kmh: float = FASTEST_KMH, km_per_day: float = FASTEST_KM_PER_DAY
) -> Iterable[Doubt]:
    """Find bands caught at two sites too far apart for the time between."""
    histories = _histories(sheets)
    if histories.empty or histories["site"].nunique() < 2:
        return
    sites = sheets.reads["sites"].used.drop_duplicates("site").set_index("site")
    distances = {
        (a, b): _distance_km(sites.loc[a], sites.loc[b])
        for a in sites.index
        for b in sites.index
        if a != b
    }
    rows = histories[["band", "site", "date", "time", "row", "place"]]
    for before, here in pairwise(rows.itertuples(index=False)):
        if before.band != here.band or before.site == here.site:
            continue
        days = (here.date - before.date).days
        hours = here.time - before.time
        far = distances[before.site, here.site]
        reach = km_per_day * max(days, 1)
        if days == 0 and np.isfinite(hours):
            reach = kmh * hours
        if far > reach:
            message = (
                f"at {before.site}, {far:.0f} km away, on {before.date:%Y-%m-%d} (row {before.row})"
            )
            yield _of_band(here.place, "site", "impossible_journey", message)


def _distance_km(a: pd.Series, b: pd.Series) -> float:
    """Great-circle distance on a sphere: good to half a per cent, enough for a doubt."""
    lat_a, lon_a, lat_b, lon_b = np.radians(
        [a["latitude"], a["longitude"], b["latitude"], b["longitude"]]
    )
    chord = (
        np.sin((lat_b - lat_a) / 2) ** 2
        + np.cos(lat_a) * np.cos(lat_b) * np.sin((lon_b - lon_a) / 2) ** 2
    )
    return float(2 * 6371.0 * np.arcsin(np.sqrt(min(chord, 1.0))))


def find_differing_wings(
    sheets: Sheets, share: float = WING_ERROR_SHARE, spreads: float = WING_ERROR_SPREADS
) -> Iterable[Doubt]:
    """Find wings of one bird that differ by more than measurement error within a season."""
    histories = _histories(sheets)
    histories = histories[histories["wing_mm"].notna()]
    if histories.empty:
        return
    seasons = capture_seasons(sheets)[histories["place"].to_numpy()]
    wing = histories["wing_mm"].to_numpy(float)
    same = (histories["band"].to_numpy()[1:] == histories["band"].to_numpy()[:-1]) & (
        seasons[1:] == seasons[:-1]
    )
    change = np.log(wing[1:] / wing[:-1])
    if not same.any():
        return
    usual = 1.4826 * float(np.median(np.abs(change[same])))
    limit = max(share, spreads * usual)
    for row in np.flatnonzero(same & (np.abs(change) > limit)).tolist():
        before, here = histories.iloc[row], histories.iloc[row + 1]
        message = f"the same bird's wing was {before['wing_mm']:g} mm (row {before['row']})"
        yield _of_band(here["place"], "wing_mm", "wing_differs", message)


def find_impossible_mass_changes(sheets: Sheets) -> Iterable[Doubt]:
    """Find changes of mass beyond what physiology allows between two captures."""
    histories = _histories(sheets)
    histories = histories[histories["mass_g"].notna()]
    rows = histories[["band", "date", "time", "mass_g", "row", "place"]]
    for before, here in pairwise(rows.itertuples(index=False)):
        if before.band != here.band:
            continue
        days = (here.date - before.date).days
        change = here.mass_g / before.mass_g - 1
        rate = GAIN_RATE * (before.mass_g / 1000) ** GAIN_EXPONENT / 100
        gain = max(WITHIN_DAY_GAIN, MEAL + rate * (days + 1))
        loss = min(WITHIN_DAY_LOSS + 0.1 * days, LARGEST_LOSS)
        if not -loss <= change <= gain:
            message = (
                f"{before.mass_g:g} g {days} days before (row {before.row}): a change of "
                f"{change:+.0%} is more than a bird can manage"
            )
            yield _of_band(here.place, "mass_g", "mass_change", message)


def find_rows_twice(sheets: Sheets) -> Iterable[Doubt]:
    """Find banded captures that stand twice: same bird, site, day, time and measurements."""
    histories = _histories(sheets)
    keys = [
        name
        for name in histories.columns
        if name not in ("file", "tab", "row", "place", "remarks", "bander")
    ]
    if histories.empty:
        return
    double = histories[keys].astype("str").duplicated().to_numpy(bool)
    double = double & (histories["time"].notna() | histories["mass_g"].notna()).to_numpy(bool)
    for row in np.flatnonzero(double).tolist():
        before, here = histories.iloc[row - 1], histories.iloc[row]
        where = f"row {before['row']}" + (
            f" of {before['file']}" if before["file"] != here["file"] else ""
        )
        message = f"the row stands twice, here and in {where}"
        yield Doubt(
            "captures", int(here["place"]), "", "row_twice", "impossible", message, "", "set aside"
        )
