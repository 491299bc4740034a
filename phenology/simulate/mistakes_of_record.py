"""Mistakes in what is written down: dates, times, names, bands, sessions."""

from __future__ import annotations

import numpy as np
import pandas as pd

from phenology.simulate.draft import Draft


def _clock(hour: float) -> str:
    minutes = round(hour * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _misspelt(text: str, rng: np.random.Generator) -> str:
    """A name with two neighbouring letters exchanged, or one left out."""
    places = [at for at in range(1, len(text) - 1) if text[at] != text[at + 1]]
    at = int(rng.choice([place for place in places if text[place : place + 2].isalpha()]))
    if rng.random() < 0.5:
        return text[:at] + text[at + 1] + text[at] + text[at + 2 :]
    return text[:at] + text[at + 1 :]


def _caught_once(draft: Draft) -> pd.Series:
    return draft.times_caught().eq(1) & draft.captures["capture"].eq("new")


def unreadable_time(draft: Draft) -> None:
    """Write a time that is none."""
    row = draft.pick(draft.captures["time"].ne(""))
    draft.change(row, "time", str(draft.rng.choice(["25:10", "7:8?", "6.75 or so"])))


def unreadable_date(draft: Draft) -> None:
    """Write a date that is none."""
    row = draft.pick(_caught_once(draft))
    year = str(draft.captures.loc[row, "date"])[:4]
    draft.change(row, "date", f"{year}-{draft.rng.choice(['13-07', '06-31', '0?-22'])}")


def outside_session(draft: Draft) -> None:
    """Write all times of a bird hours after the session closed."""
    sheet, effort = draft.captures, draft.sheets["effort"]
    closed = effort.groupby(["site", "date"])["close"].max().rename("closed")
    ends = sheet.join(closed, on=["site", "date"])["closed"]
    ends = pd.to_timedelta(ends + ":00", errors="coerce").dt.total_seconds() / 3600
    time = draft.hours("time")
    row = draft.pick(time.notna() & ends.notna())
    later = ends[row] + draft.rng.uniform(2.0, 4.0) - time[row]
    for column in ("time", "process_time", "release_time"):
        hour = draft.hours(column)[row]
        if not np.isnan(hour):
            draft.change(row, column, _clock(hour + later))


def no_effort(draft: Draft) -> None:
    """Write a date on which the station did not work."""
    sheet, effort = draft.captures, draft.sheets["effort"]
    worked = set(effort["site"] + " " + effort["date"])
    date = pd.to_datetime(sheet["date"], errors="coerce")
    moved = (date + pd.Timedelta(days=1)).dt.strftime("%Y-%m-%d")
    row = draft.pick(~(sheet["site"] + " " + moved).isin(worked) & _caught_once(draft))
    draft.change(row, "date", str(moved[row]))


def unknown_site(draft: Draft) -> None:
    """Misspell a station."""
    row = draft.pick(_caught_once(draft))
    draft.change(row, "site", _misspelt(str(draft.captures.loc[row, "site"]), draft.rng))


def unknown_species(draft: Draft) -> None:
    """Misspell a species."""
    row = draft.pick(_caught_once(draft))
    draft.change(row, "species", _misspelt(str(draft.captures.loc[row, "species"]), draft.rng))


def new_again(draft: Draft) -> None:
    """Call a bird new that has been caught before."""
    draft.change(draft.pick(draft.captures["capture"].eq("repeat")), "capture", "new")


def never_banded(draft: Draft) -> None:
    """Call a bird a repeat whose band nobody has put on."""
    draft.change(draft.pick(_caught_once(draft)), "capture", "repeat")


def band_changes_species(draft: Draft) -> None:
    """Write another species at a later capture."""
    sheet = draft.captures
    row = draft.pick(sheet["capture"].isin(["repeat", "return"]))
    others = sorted(set(sheet["species"]) - {sheet.loc[row, "species"]})
    common = [name for name in others if sheet["species"].eq(name).sum() > len(sheet) / 50]
    draft.change(row, "species", str(draft.rng.choice(common)))


def band_changes_sex(draft: Draft) -> None:
    """Write the other sex at a later capture."""
    sheet = draft.captures
    known = sheet["sex"].isin(["male", "female"])
    row = draft.pick(
        sheet["capture"].isin(["repeat", "return"]) & known & _same_before(draft, "sex")
    )
    draft.change(row, "sex", "male" if sheet.loc[row, "sex"] == "female" else "female")


def grows_younger(draft: Draft) -> None:
    """Call a bird young that was adult at an earlier capture."""
    sheet = draft.captures
    later = sheet["capture"].isin(["repeat", "return"]) & sheet["age"].eq("adult")
    draft.change(draft.pick(later & _same_before(draft, "age")), "age", "young")


def _same_before(draft: Draft, column: str) -> pd.Series:
    """Whether the former capture of the band has the same word."""
    sheet = draft.captures
    former = sheet[column].groupby(sheet["band"].where(sheet["band"].ne(""))).shift()
    return sheet[column].eq(former)


def out_of_string(draft: Draft) -> None:
    """Write a band number far from those in use."""
    row = draft.pick(_caught_once(draft))
    prefix, number = str(draft.captures.loc[row, "band"]).rsplit("-", 1)
    draft.change(row, "band", f"{prefix}-{(int(number) + 54_321) % 100_000:05d}")


def wrong_band_size(draft: Draft) -> None:
    """Write a size of band that no bird of the species wears."""
    draft.change(draft.pick(_caught_once(draft)), "band_size", "Q")


def impossible_journey(draft: Draft) -> None:
    """Give a bird the band of one caught at another station on the same day."""
    sheet = draft.captures
    once = _caught_once(draft) & ~sheet["band"].isin(draft.taken_bands)
    alike = sheet["date"] + sheet["species"] + sheet["sex"] + sheet["age"]
    rows = sheet[once].assign(alike=alike[once])
    sites = rows.groupby("alike")["site"].transform("nunique")
    second = draft.pick(pd.Series(sheet.index.isin(rows.index[sites > 1]), index=sheet.index))
    match = rows[(rows["alike"] == alike[second]) & (rows["site"] != sheet.loc[second, "site"])]
    first = int(match.index[0])
    draft.take(first)
    draft.change(second, "band", str(sheet.loc[first, "band"]))
    draft.change(second, "capture", "repeat")


def overlapping_session(draft: Draft) -> None:
    """Write a session of one trap twice, the second an hour later."""
    effort = draft.sheets["effort"]
    row = draft.pick(effort["open"].ne(""), "effort")
    again = {column: str(value) for column, value in effort.loc[row].items()}
    for column in ("open", "close"):
        hours, minutes = (int(part) for part in again[column].split(":"))
        again[column] = _clock(hours + 1 + minutes / 60)
    draft.take(row, "effort")
    draft.append(again, "effort")


def negative_session(draft: Draft) -> None:
    """Write opening and closing of a session each in the other's place."""
    effort = draft.sheets["effort"]
    row = draft.pick(effort["open"].ne(""), "effort")
    opened, closed = (str(effort.loc[row, column]) for column in ("open", "close"))
    draft.change(row, "open", closed, "effort")
    draft.change(row, "close", opened, "effort")


def negative_time_in_hand(draft: Draft) -> None:
    """Let a bird go before it was caught."""
    time = draft.hours("time")
    row = draft.pick(time.notna() & draft.captures["release_time"].ne(""))
    draft.change(row, "release_time", _clock(time[row] - 0.4))


def long_time_in_hand(draft: Draft) -> None:
    """Keep a bird far longer than the study allows."""
    time = draft.hours("time")
    row = draft.pick(time.notna() & draft.captures["release_time"].ne(""))
    draft.change(row, "release_time", _clock(time[row] + draft.rng.uniform(1.3, 1.8)))


def row_twice(draft: Draft) -> None:
    """Write a whole row again at the end of the sheet."""
    row = draft.pick(_caught_once(draft))
    draft.take(row)
    draft.append(
        {column: str(value) for column, value in draft.captures.loc[row].items()}, "captures"
    )
