"""The monsoon of every site and year: onset by two definitions, agreement, strength."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.errors import StudyError
from phenology.estimates import Estimates
from phenology.models.monsoon_dewpoint import (
    Regimes,
    dewpoint_onset,
    dewpoint_threshold_c,
    dewpoint_withdrawal,
    learn_regimes,
)
from phenology.models.monsoon_rain import (
    learn_rain_levels,
    longest_break,
    rain_turns,
    total_with_gaps,
)
from phenology.models.monsoon_turn import Turn
from phenology.weather.derived import (
    RAINY_SEASON,
    Window,
    season_block,
    seasons_of,
)
from phenology.weather.spi import spi_bounds, spi_mckee93

SEARCH = Window("05-01", "10-15")  # from the dry season to after the withdrawal
AGREE_WITHIN_DAYS = 10
NORMAL_YEARS = 5  # a normal needs this many seasons
DEWPOINT, RAIN, BOTH = "run of moist days", "rise of cumulated rain", "both definitions"

Block = npt.NDArray[np.float64]


@dataclass(frozen=True)
class MonsoonYears:
    """Three tables; days are days of the year in which the season begins, bounds are 90 %.

    Attributes
    ----------
    turns : DataFrame
        site, season, definition, onset_day, onset_low, onset_high, false_starts (days, in
        words), withdrawal_day, withdrawal_low, withdrawal_high, reason (why there is none).
    years : DataFrame
        site, season, onset_day, low, high (spanning both definitions where they disagree),
        agreement (in words), season_rain_mm with bounds, share_of_normal, spi with bounds,
        wet_days, longest_break_days.
    thresholds : DataFrame
        site, threshold_c, basis (learned, by height, given), dry_c, moist_c.
    """

    turns: pd.DataFrame
    years: pd.DataFrame
    thresholds: pd.DataFrame

    def between(self, first: int, last: int) -> MonsoonYears:
        """These seasons alone."""
        turns, years = (
            table[table["season"].between(first, last)] for table in (self.turns, self.years)
        )
        return MonsoonYears(turns, years, self.thresholds)


def find_monsoon(
    weather: xr.Dataset,
    sites: pd.DataFrame,
    *,
    search: Window = SEARCH,
    season: Window = RAINY_SEASON,
    threshold_c: float | None = None,
    run_days: int = 3,
    seed: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> MonsoonYears:
    """Find onset, withdrawal and strength of every site's monsoon, year by year.

    Parameters
    ----------
    weather : Dataset
        dewpoint_c and rain_mm on (site, date), dew points being means of a local day's hours.
    sites : DataFrame
        site, elevation_m.
    search : Window
        Where turns are sought: from the dry season to after the withdrawal.
    season : Window
        The season whose rain measures strength.
    threshold_c : float, optional
        Dew point of moist air [°C]; by default learned from each site's own contrast of dry and
        moist days, and by height where there is no such contrast.
    run_days : int
        Moist days on end that make a run.
    seed : int
        Of the resampling of years behind the bounds of SPI.
    progress : callable, optional
        Called with sites done and sites in all.

    Returns
    -------
    MonsoonYears

    Raises
    ------
    StudyError
        If the weather holds no season at all.

    Notes
    -----
    Not to be believed where rain falls all year: a rise of rain is found wherever there is one.
    """
    names = weather["site"].to_numpy()
    seasons = seasons_of(weather, search)
    if not seasons:
        raise StudyError(
            f"The weather holds no season from {search.start} to {search.until}.",
            "The monsoon needs daily weather from the dry season into the wet one.",
        )
    dewpoint = _blocks(weather["dewpoint_c"], search, seasons)
    rain = _blocks(weather["rain_mm"], search, seasons)
    heights = sites.assign(site=sites["site"].astype(str)).set_index("site").get("elevation_m")
    first_days = [search.first(year).timetuple().tm_yday for year in seasons]
    turns: list[dict[str, object]] = []
    thresholds: list[dict[str, object]] = []
    for position, site in enumerate(names):
        height = np.nan if heights is None else float(heights.get(site, np.nan))
        air = _learn_air(dewpoint[position], threshold_c, height)
        thresholds.append({"site": site} | air.told())
        by_air = (_turns_of_air(days, air, run_days) for days in dewpoint[position])
        for year, first, of_air, of_rain in zip(
            seasons, first_days, by_air, _turns_of_rain(rain[position]), strict=True
        ):
            turns.append(_row(site, year, DEWPOINT, of_air, first))
            turns.append(_row(site, year, RAIN, of_rain, first))
        if progress is not None:
            progress(position + 1, len(names))
    table = pd.DataFrame(turns)
    breaks = _longest_breaks(weather["rain_mm"], search, seasons, table)
    strength = _strength(weather["rain_mm"], season, seasons, breaks, seed)
    agreed = pd.DataFrame(
        [
            {"site": site, "season": year} | _agreement(rows.set_index("definition"))
            for (site, year), rows in table.groupby(["site", "season"], sort=False)
        ]
    )
    years = agreed.merge(strength, on=["site", "season"], how="left")
    return MonsoonYears(table, years, pd.DataFrame(thresholds))


@dataclass(frozen=True)
class _Air:
    """What counts as moist air at a site."""

    threshold_c: float  # missing where nothing tells it
    basis: str  # given, learned, by height, none
    regimes: Regimes | None

    def told(self) -> dict[str, object]:
        """As a row of the thresholds."""
        levels = self.regimes
        return {
            "threshold_c": self.threshold_c,
            "basis": self.basis,
            "dry_c": np.nan if levels is None else levels.dry_c,
            "moist_c": np.nan if levels is None else levels.moist_c,
        }


def _learn_air(dewpoint_c: Block, given_c: float | None, height_m: float) -> _Air:
    """A site's threshold from its seasons (season, day): as given, learned, or by height."""
    regimes = learn_regimes(dewpoint_c)
    if given_c is not None:
        return _Air(given_c, "given", regimes)
    if regimes is not None:
        return _Air(regimes.threshold_c(), "learned", regimes)
    if np.isfinite(height_m):
        return _Air(dewpoint_threshold_c(height_m), "by height", None)
    return _Air(np.nan, "none", None)


def _turns_of_air(dewpoint_c: Block, air: _Air, run_days: int) -> tuple[Turn, Turn]:
    """Onset and withdrawal of one season by dew point."""
    if np.isnan(air.threshold_c):
        none = Turn(None, reason="no dry-to-moist contrast, and the height is unknown")
        return none, none
    onset = dewpoint_onset(dewpoint_c, air.threshold_c, regimes=air.regimes, run_days=run_days)
    withdrawal = dewpoint_withdrawal(
        dewpoint_c, air.threshold_c, regimes=air.regimes, run_days=run_days
    )
    return onset, withdrawal


def _turns_of_rain(rain_mm: Block) -> list[tuple[Turn, Turn]]:
    """Onset and withdrawal of a site's seasons (season, day) by rain."""
    levels = learn_rain_levels(rain_mm)
    if levels is None:
        none = Turn(None, reason="no rain is known here")
        return [(none, none)] * len(rain_mm)
    return [rain_turns(days, levels) for days in rain_mm]


def report_monsoon(monsoon: MonsoonYears, estimates: Estimates) -> None:
    """Add onset, withdrawal, rain and SPI to the table of answers; refusals keep their reason."""
    turns = monsoon.turns
    for name, low, high in [
        ("onset_day", "onset_low", "onset_high"),
        ("withdrawal_day", "withdrawal_low", "withdrawal_high"),
    ]:
        for row in turns.to_dict("records"):
            key = {part: row[part] for part in ("site", "season", "definition")}
            if np.isnan(row[name]):
                estimates.refuse(name, str(row["reason"]), **key)
            else:
                _add(estimates, name, (row[low], row[name], row[high]), key)
    for row in monsoon.years.to_dict("records"):
        key = {part: row[part] for part in ("site", "season")}
        spanning = (row["onset_low"], row["onset_day"], row["onset_high"])
        both = key | {"definition": BOTH}
        if np.isnan(row["onset_day"]):
            estimates.refuse("onset_day", str(row["agreement"]), **both)
        else:
            _add(estimates, "onset_day", spanning, both, str(row["agreement"]))
        for name, why in [
            ("season_rain_mm", "too many days of the season without rain readings"),
            ("spi", "fewer than ten seasons with rain readings"),
        ]:
            if np.isnan(row[name]):
                estimates.refuse(name, why, **key)
            else:
                _add(estimates, name, (row[f"{name}_low"], row[name], row[f"{name}_high"]), key)


def _add(
    estimates: Estimates,
    name: str,
    bounds: tuple[float, float, float],
    key: dict[str, Any],
    note: str = "",
) -> None:
    # Draws whose quantiles are the bounds: straight lines between them and flat beyond.
    draws = np.interp(np.linspace(0, 1, 201), [0.05, 0.5, 0.95], bounds)
    estimates.add(name, draws, birds=0, basis="measured", note=note, **key)


def _blocks(values: xr.DataArray, window: Window, seasons: list[int]) -> Block:
    """Seasons on end (site, season, day), padded with missing days to one length."""
    parts = [season_block(values, window, season)[0] for season in seasons]
    longest = max(part.shape[1] for part in parts)
    padded = [
        np.pad(part, ((0, 0), (0, longest - part.shape[1])), constant_values=np.nan)
        for part in parts
    ]
    return np.stack(padded, axis=1)


def _row(
    site: str, season: int, definition: str, turns: tuple[Turn, Turn], first: int
) -> dict[str, object]:
    onset, withdrawal = turns

    def of_year(day: float | None) -> float:
        return np.nan if day is None else float(day) + first

    return {
        "site": site,
        "season": season,
        "definition": definition,
        "onset_day": of_year(onset.day),
        "onset_low": of_year(onset.low),
        "onset_high": of_year(onset.high),
        "false_starts": ", ".join(str(day + first) for day in onset.false_starts),
        "withdrawal_day": of_year(withdrawal.day if onset.day is not None else None),
        "withdrawal_low": of_year(withdrawal.low if onset.day is not None else None),
        "withdrawal_high": of_year(withdrawal.high if onset.day is not None else None),
        "reason": onset.reason or withdrawal.reason,
    }


def _agreement(turns: pd.DataFrame) -> dict[str, object]:
    """One onset from two: the dew point's day, bounds over both where they disagree."""
    moist, wet = turns.loc[DEWPOINT], turns.loc[RAIN]
    days = [row for row in (moist, wet) if np.isfinite(row["onset_day"])]
    if not days:
        return {
            "onset_day": np.nan,
            "onset_low": np.nan,
            "onset_high": np.nan,
            "agreement": f"no onset: {moist['reason']}; {wet['reason']}",
        }
    if len(days) == 1:
        alone, silent = (DEWPOINT, wet) if days[0] is moist else (RAIN, moist)
        agreement = f"by {alone} alone; the other: {silent['reason']}"
    else:
        apart = wet["onset_day"] - moist["onset_day"]
        is_near = abs(apart) <= AGREE_WITHIN_DAYS
        order = "after" if apart > 0 else "before"
        agreement = (
            f"agree: {abs(apart):.0f} days apart"
            if is_near
            else f"disagree: rain {abs(apart):.0f} days {order} moisture"
        )
        days = [moist] if is_near else days
    return {
        "onset_day": days[0]["onset_day"],
        "onset_low": min(row["onset_low"] for row in days),
        "onset_high": max(row["onset_high"] for row in days),
        "agreement": agreement,
    }


def _strength(
    rain_mm: xr.DataArray, window: Window, seasons: list[int], breaks: pd.Series, seed: int
) -> pd.DataFrame:
    """Rain of each season: amount, share of normal, SPI, wet days, longest break."""
    names = rain_mm["site"].to_numpy()
    blocks = _blocks(rain_mm, window, seasons)
    totals = np.array([[total_with_gaps(days) for days in of_site] for of_site in blocks])
    known = np.isfinite(totals[..., 0])
    counted = known.sum(axis=1, keepdims=True)
    normal = np.where(known, totals[..., 0], 0.0).sum(axis=1, keepdims=True)
    normal = np.where(counted >= NORMAL_YEARS, normal / np.maximum(counted, 1), np.nan)
    amounts = xr.DataArray(totals[..., 0], {"site": names, "season": seasons}, ("site", "season"))
    spi = spi_mckee93(amounts).to_numpy()
    spi_low, spi_high = (bound.to_numpy() for bound in spi_bounds(amounts, seed))
    wet = np.where(known, (blocks >= 1.0).sum(axis=2), np.nan)
    index = pd.MultiIndex.from_product([names, seasons], names=["site", "season"])
    columns = {
        "season_rain_mm": totals[..., 0],
        "season_rain_mm_low": totals[..., 1],
        "season_rain_mm_high": totals[..., 2],
        "share_of_normal": totals[..., 0] / normal,
        "spi": spi,
        "spi_low": np.fmin(spi, spi_low),
        "spi_high": np.fmax(spi, spi_high),
        "wet_days": wet,
    }
    table = pd.DataFrame({name: values.ravel() for name, values in columns.items()}, index=index)
    return table.join(breaks).reset_index()


def _longest_breaks(
    rain_mm: xr.DataArray, search: Window, seasons: list[int], turns: pd.DataFrame
) -> pd.Series:
    """Longest dry spell between onset and withdrawal by rain."""
    blocks = _blocks(rain_mm, search, seasons)
    rows = {name: position for position, name in enumerate(rain_mm["site"].to_numpy())}
    breaks: dict[tuple[str, int], float] = {}
    by_rain = turns[(turns["definition"] == RAIN) & turns["onset_day"].notna()]
    for row in by_rain.to_dict("records"):
        first = search.first(row["season"]).timetuple().tm_yday
        days = blocks[rows[row["site"]], seasons.index(row["season"])]
        during = days[int(row["onset_day"]) - first : int(row["withdrawal_day"]) - first + 1]
        breaks[row["site"], row["season"]] = float(longest_break(during))
    index = pd.MultiIndex.from_tuples(list(breaks), names=["site", "season"]) if breaks else None
    return pd.Series(list(breaks.values()), index=index, name="longest_break_days", dtype=float)
