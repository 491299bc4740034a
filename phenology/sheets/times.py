"""Doubts about times: of day, in the hand, and against the hours of the sessions."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow.compute as pc

from phenology.sheets.doubt import Doubt, Sheets
from phenology.sheets.ranges import tail_limit

MIDNIGHT_H = 12.0  # a bird held "longer" than this backwards was released after midnight
BEFORE_OPENING_H = 0.25  # a capture may be noted this long before the session's opening
AFTER_CLOSING_H = 1.0  # or this long after its close, while birds are taken out
FEWEST_TIMES = 30
LEAST_SPREAD_H = 0.25
_QUARTER = 0.6745  # of a normal distribution's standard deviation
USUAL_FORM_SHARE = 0.98  # of cells written in one form, for the others to be worth a word

Floats = npt.NDArray[np.float64]


def clock(hours: float) -> str:
    """Write hours after midnight as a clock shows them.

    Examples
    --------
    >>> clock(6.25)
    '06:15'
    """
    minutes = round(hours * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def find_negative_time_in_hand(sheets: Sheets, midnight_h: float = MIDNIGHT_H) -> Iterable[Doubt]:
    """Find birds released, or handled, before they were caught."""
    captures = sheets.captures
    for later, earlier in (
        ("release_time", "time"),
        ("release_time", "process_time"),
        ("process_time", "time"),
    ):
        held = captures[later].to_numpy(float) - captures[earlier].to_numpy(float)
        for place in np.flatnonzero((held < 0) & (held > -midnight_h)).tolist():
            message = f"{-held[place] * 60:.0f} minutes before {earlier.replace('_', ' ')}"
            yield Doubt(
                "captures", place, later, "negative_time_in_hand", "impossible", message,
                action="blanked",
            )  # fmt: skip


def find_long_time_in_hand(sheets: Sheets, midnight_h: float = MIDNIGHT_H) -> Iterable[Doubt]:
    """Find birds held longer than the study's own limit, if study.toml sets one."""
    limit = sheets.options.limits.get("handling_min")
    if limit is None:
        return
    captures = sheets.captures
    start = captures["process_time"].fillna(captures["time"])
    start = captures["time"].fillna(start).to_numpy(float)
    held = captures["release_time"].to_numpy(float) - start
    minutes = np.where(held < -midnight_h, held + 24, held) * 60
    for place in np.flatnonzero(minutes > limit).tolist():
        message = f"held {minutes[place]:.0f} minutes, longer than the study's {limit:g}"
        yield Doubt("captures", place, "release_time", "long_time_in_hand", "doubtful", message)


def find_unusual_times(sheets: Sheets, fewest: int = FEWEST_TIMES) -> Iterable[Doubt]:
    """Find captures at hours of the day at which the study catches no birds."""
    hours = sheets.captures["time"].to_numpy(float)
    known = hours[np.isfinite(hours)]
    if len(known) < fewest:
        return
    centre = float(np.median(known))
    counts = np.bincount(np.rint(known * 60).astype(np.int64))
    minutes = np.flatnonzero(counts)
    away = minutes / 60 - centre
    quarters = np.abs(np.quantile(known, [0.25, 0.75]) - centre) / _QUARTER
    inner_low, inner_high = np.maximum(quarters, LEAST_SPREAD_H)
    scores = away / np.where(away < 0, inner_low, inner_high)
    earliest = centre - tail_limit(-scores, counts=counts[minutes]) * inner_low
    latest = centre + tail_limit(scores, counts=counts[minutes]) * inner_high
    for place in np.flatnonzero((hours < earliest) | (hours > latest)).tolist():
        other = hours[place] + (12 if hours[place] < 12 else -12)
        suggestion = clock(other) if earliest <= other <= latest and other < 24 else ""
        usual = f"between {clock(max(earliest, 0))} and {clock(min(latest, 24))}"
        message = f"the study catches birds {usual}"
        if suggestion:
            message += "; it seems to be twelve hours off"
        yield Doubt("captures", place, "time", "unusual_time", "doubtful", message, suggestion)


def find_odd_forms(sheets: Sheets, usual_share: float = USUAL_FORM_SHARE) -> Iterable[Doubt]:
    """Find times written unlike the rest of their column, and lone cells without a time."""
    read = sheets.reads["captures"]
    for name in ("time", "process_time", "release_time"):
        colon: list[npt.NDArray[np.bool_]] = []
        filled: list[npt.NDArray[np.bool_]] = []
        for number, part in enumerate(read.parts):
            rows = read.origin[read.origin[:, 0] == number, 1]
            if name not in part.cells:
                colon.append(np.zeros(len(rows), dtype=bool))
                filled.append(np.zeros(len(rows), dtype=bool))
                continue
            cells = part.cells[name]
            codes = cells.codes[rows]
            has = pc.match_substring(cells.texts, ":").to_numpy(zero_copy_only=False)
            colon.append(has.astype(bool)[codes])
            filled.append(cells.filled()[rows])
        with_colon, written = np.concatenate(colon), np.concatenate(filled)
        hours = sheets.captures[name].to_numpy(float)
        if written.mean() > usual_share and len(written) >= FEWEST_TIMES:
            for place in np.flatnonzero(~written).tolist():
                message = "no value, where nearly every other row has one"
                yield Doubt("captures", place, name, "lone_blank", "note", message)
        if written.any() and with_colon[written].mean() > usual_share:
            for place in np.flatnonzero(written & ~with_colon & np.isfinite(hours)).tolist():
                message = f"written unlike the other times; read as {clock(hours[place])}"
                yield Doubt("captures", place, name, "odd_form", "note", message)


def find_days_without_effort(sheets: Sheets) -> Iterable[Doubt]:
    """Find captures on days on which the effort sheet has no session at the site."""
    effort = sheets.used("effort")
    captures = sheets.captures
    if effort is None or captures.empty:
        return
    sampled = pd.MultiIndex.from_frame(effort[["site", "date"]].drop_duplicates())
    days = captures.groupby(["site", "date"], sort=False).ngroup().to_numpy()
    of_day = captures.loc[~pd.Index(days).duplicated(), ["site", "date"]]
    known = pd.MultiIndex.from_frame(of_day).isin(sampled)
    for place in np.flatnonzero(~known[days]).tolist():
        message = "the effort sheet has no session at this site on this day"
        yield Doubt("captures", place, "date", "no_effort", "doubtful", message)


def find_negative_sessions(sheets: Sheets) -> Iterable[Doubt]:
    """Find sessions that close before they open."""
    effort = sheets.used("effort")
    if effort is None:
        return
    length = (effort["close"] - effort["open"]).to_numpy(float)
    for place in np.flatnonzero(length <= 0).tolist():
        message = "the session closes before it opens" if length[place] < 0 else "it lasts no time"
        later = float(effort["close"].iat[place]) + 12
        opened = float(effort["open"].iat[place])
        suggestion = clock(later) if opened < later < 24 else ""
        yield Doubt(
            "effort", place, "close", "negative_session", "impossible", message, suggestion,
            "blanked",
        )  # fmt: skip


def find_overlapping_sessions(sheets: Sheets) -> Iterable[Doubt]:
    """Find sessions of one trap or net that run at the same time; a double row among them."""
    effort = sheets.used("effort")
    if effort is None:
        return
    keys = ["site", "date", "trap", "method"]
    ordered = effort.assign(place=np.arange(len(effort))).sort_values(
        [*keys, "open"], kind="stable"
    )
    same = (
        (ordered[keys] == ordered[keys].shift())
        | (ordered[keys].isna() & ordered[keys].shift().isna())
    ).all(axis=1)
    same.iloc[:1] = False
    starts, ends = ordered["open"].to_numpy(float), ordered["close"].to_numpy(float)
    overlap = same.to_numpy() & (starts < np.roll(ends, 1))
    for row in np.flatnonzero(overlap).tolist():
        before, here = ordered.iloc[row - 1], ordered.iloc[row]
        twice = before["open"] == here["open"] and before["close"] == here["close"]
        at = f"row {before['row']}" + (
            f" of {before['file']}" if before["file"] != here["file"] else ""
        )
        if twice:
            message = f"the session stands twice, here and in {at}"
            yield Doubt(
                "effort",
                int(here["place"]),
                "",
                "row_twice",
                "impossible",
                message,
                "",
                "set aside",
            )
        else:
            message = f"it overlaps the session in {at}"
            yield Doubt(
                "effort", int(here["place"]), "open", "overlapping_session", "doubtful", message
            )


def find_outside_sessions(
    sheets: Sheets, before_h: float = BEFORE_OPENING_H, after_h: float = AFTER_CLOSING_H
) -> Iterable[Doubt]:
    """Find captures at times when no trap or net of the site was open."""
    effort = sheets.used("effort")
    captures = sheets.captures
    if effort is None or captures.empty:
        return
    timed = effort.dropna(subset=["open", "close"])
    timed = timed[timed["close"] > timed["open"]]
    untimed = effort.drop(timed.index)[["site", "date"]].drop_duplicates()
    pairs = (
        captures[["site", "date", "time", "trap"]]
        .reset_index(names="place")
        .dropna(subset=["time"])
        .merge(
            timed[["site", "date", "trap", "open", "close"]],
            on=["site", "date"],
            suffixes=("", "_session"),
        )
    )
    if pairs.empty:
        return
    own = (pairs["trap"] == pairs["trap_session"]).to_numpy(bool)
    has_own = pd.Series(own).groupby(pairs["place"].to_numpy()).transform("max").to_numpy(bool)
    within = (
        (pairs["time"] >= pairs["open"] - before_h) & (pairs["time"] <= pairs["close"] + after_h)
    ).to_numpy(bool)
    counted = own | ~has_own
    held = pd.DataFrame({"place": pairs["place"], "within": within & counted})
    outside = held.groupby("place")["within"].max()
    places = outside.index[~outside.to_numpy(bool)]
    if len(untimed):
        days = pd.MultiIndex.from_frame(captures.loc[places, ["site", "date"]])
        places = places[~days.isin(pd.MultiIndex.from_frame(untimed))]
    for place in places.tolist():
        caught = float(captures["time"].iat[place])
        message = f"caught at {clock(caught)}, when no session of that day was running"
        yield Doubt("captures", place, "time", "outside_session", "doubtful", message)
