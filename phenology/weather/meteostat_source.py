"""Weather from the Meteostat archive: stations chosen, days read, adjusted, filled, combined."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from phenology.errors import StudyError
from phenology.study.options import WeatherOptions
from phenology.time_zones import is_time_zone, zone_by_longitude
from phenology.weather.attribution import attribution
from phenology.weather.bulk import Kind
from phenology.weather.cache import RawCache, default_cache_dir
from phenology.weather.combine import Lapse, combine_by_distance, fill_from_neighbours
from phenology.weather.dataset import (
    COMBINED,
    FILLED,
    FORECAST,
    MEASURED,
    MISSING,
    VARIABLES,
    Array,
    Codes,
    Provenanced,
    StationFrame,
    build_dataset,
)
from phenology.weather.fetch import (
    STATIONS_KEY,
    STATIONS_MAX_AGE,
    Fetcher,
    FetchError,
    NotFetchedError,
    max_age_of_year,
)
from phenology.weather.station_days import (
    KINDS,
    StationDays,
    raw_key,
    read_station_days,
    years_needed,
)
from phenology.weather.stations import REACH_KM, StationList, consider_stations

FAILURES_IN_A_ROW = 5  # then the source is taken to be down
LEAST_SHARE_OF_BEST = 0.5  # of the days that the fullest station has
NOT_AVERAGED = ("rain_mm", "snow_cm")  # between stations, unless asked for

Progress = Callable[[int, int, str], None]


@dataclass
class MeteostatWeather:
    """Daily weather from the Meteostat archive.

    Parameters
    ----------
    fetcher : Fetcher
    combine : bool
        Weigh all stations used by distance and height instead of taking the best one.
    combine_rain : bool
        Average rain and snow as well; it makes drizzle of storms.
    lapse : Lapse
    reach_km : float
    allow_forecast : bool
        Use values that come from a forecast; they are marked.
    """

    fetcher: Fetcher
    combine: bool = False
    combine_rain: bool = False
    lapse: Lapse = field(default_factory=Lapse)
    reach_km: float = REACH_KM
    allow_forecast: bool = False
    _known: StationList | None = field(default=None, init=False, repr=False)

    @classmethod
    def from_cache(
        cls, cache_dir: Path | None = None, options: WeatherOptions | None = None
    ) -> MeteostatWeather:
        """Use what has been fetched before; opens no connection."""
        held = Fetcher(RawCache(cache_dir or default_cache_dir()), offline=True)
        return cls.as_asked(held, options or WeatherOptions(source="meteostat"))

    @classmethod
    def as_asked(cls, fetcher: Fetcher, options: WeatherOptions) -> MeteostatWeather:
        """As study.toml asks under [weather]."""
        return cls(
            fetcher,
            combine=options.combine,
            combine_rain=options.combine_rain,
            lapse=Lapse(options.temperature_c_per_km, options.dewpoint_c_per_km),
            reach_km=options.reach_km,
            allow_forecast=options.allow_forecast,
        )

    def consider(self, sites: pd.DataFrame, dates: pd.DatetimeIndex) -> pd.DataFrame:
        """Stations within reach of each site, and which are used: see `consider_stations`."""
        _check_places(sites)
        return consider_stations(
            sites,
            self._station_list(),
            dates.min().year,
            dates.max().year,
            reach_km=self.reach_km,
        )

    def fetch(
        self, sites: pd.DataFrame, dates: pd.DatetimeIndex, progress: Progress | None = None
    ) -> pd.DataFrame:
        """Fetch every file that these sites and dates need; what is held and fresh stays.

        May be stopped at any time and goes on where it stopped.

        Parameters
        ----------
        sites : DataFrame
        dates : DatetimeIndex
        progress : callable, optional
            Called with files done, files in all, and the file's name.

        Returns
        -------
        DataFrame
            station, kind, year, outcome (fetched, held, no data, stale, failed), why.

        Raises
        ------
        FetchError
            If the station list, or five files on end, cannot be had.
        """
        tasks = self._tasks(sites, dates)
        now = self.fetcher.cache.now()
        rows: list[dict[str, object]] = []
        failures = 0
        for done, (station, kind, year) in enumerate(tasks):
            key = raw_key(kind, station, year)
            if progress is not None:
                progress(done, len(tasks), key)
            row: dict[str, object] = {"station": station, "kind": kind, "year": year, "why": ""}
            try:
                record = self.fetcher.fetch(key, max_age_of_year(year, now.year))
            except NotFetchedError:
                row |= {"outcome": "failed", "why": "offline, and never fetched"}
            except FetchError as error:
                failures += 1
                if failures == FAILURES_IN_A_ROW:
                    raise
                row |= {"outcome": "failed", "why": error.what}
            else:
                failures = 0
                is_new = record.fetched >= now.isoformat(timespec="seconds")
                outcome = "no data" if record.is_absent else "fetched" if is_new else "held"
                row |= {"outcome": "stale" if record.stale else outcome, "why": record.stale}
            rows.append(row)
        if progress is not None:
            progress(len(tasks), len(tasks), "")
        return pd.DataFrame(rows, columns=["station", "kind", "year", "outcome", "why"])

    def daily(self, sites: pd.DataFrame, dates: pd.DatetimeIndex) -> xr.Dataset:
        """Daily weather with its origin, from files that are held.

        Raises
        ------
        NotFetchedError
            If nothing at all was fetched for these sites and dates.
        """
        considered = self.consider(sites, dates)
        used = considered[considered["rank"] >= 0].sort_values(["site", "rank"])
        known = self._station_list()
        names = sorted(used["station"].unique())
        shape = (len(sites), len(dates))
        variables = {name: Provenanced.empty(shape) for name in VARIABLES}
        frame = StationFrame(
            names,
            np.full((len(sites), len(names)), np.nan),
            np.full((len(sites), len(names)), np.nan),
        )
        memo: dict[tuple[str, str], StationDays | None] = {}
        notes: list[str] = []
        providers: set[str] = set()
        for position, site in enumerate(sites.to_dict("records")):
            own = used[used["site"] == str(site["site"])]
            if own.empty:
                notes.append(f"{site['site']}: no weather station within {self.reach_km:g} km")
                continue
            timezone, note = _timezone(site, known, own["station"].iloc[0])
            notes += [f"{site['site']}: {note}"] if note else []
            codes = np.array([names.index(station) for station in own["station"]])
            frame.distance_km[position, codes] = own["distance_km"]
            frame.height_difference_m[position, codes] = own["height_difference_m"]
            days = []
            for station in own["station"]:
                if (station, timezone) not in memo:
                    memo[station, timezone] = read_station_days(
                        self.fetcher.cache,
                        known.station(station),
                        timezone,
                        dates,
                        allow_forecast=self.allow_forecast,
                    )
                days.append(memo[station, timezone])
            for at, name in enumerate(VARIABLES):
                values, origin, status = self._site_values(name, own, days, len(dates))
                variables[name].values[position] = values
                variables[name].station[position] = np.where(origin >= 0, codes[origin], -1)
                variables[name].status[position] = status
                if at == 0:
                    providers |= {p for day in days if day is not None for p in day.providers}
        if memo and all(days is None for days in memo.values()):
            raise NotFetchedError(
                "No weather was fetched for these sites and years yet.",
                "Run 'site-support weather STUDY' with a connection.",
            )
        _saturate(variables)
        notes += self._never_fetched(sites, dates)
        notes += sorted({note for days in memo.values() if days is not None for note in days.notes})
        frame.attributes.update(
            source="meteostat",
            attribution=attribution(providers),
            providers=" ".join(sorted(providers)),
            notes="\n".join(notes),
            temperature_lapse_c_per_km=str(self.lapse.temperature_c_per_km),
            dewpoint_lapse_c_per_km=str(self.lapse.dewpoint_c_per_km),
        )
        return build_dataset(sites["site"].astype(str).tolist(), dates, variables, frame)

    def _site_values(
        self, name: str, own: pd.DataFrame, days: list[StationDays | None], length: int
    ) -> tuple[Array, Codes, Codes]:
        """One variable at one site: values, which of its stations, status."""
        table = np.full((len(days), length), np.nan)
        guessed = np.zeros((len(days), length), dtype=bool)
        heights = own["height_difference_m"].to_numpy(float)
        for at, station in enumerate(days):
            if station is not None:
                table[at] = station.values[name].to_numpy(float)
                table[at] += self.lapse.adjustment_c(name, heights[at])
                guessed[at] = station.forecast[name].to_numpy()
        present = np.isfinite(table)
        if self.combine and (self.combine_rain or name not in NOT_AVERAGED):
            values = combine_by_distance(table, own["effective_distance_km"].to_numpy(float))
            origin = np.where(present.any(axis=0), present.argmax(axis=0), -1)
            count = present.sum(axis=0)
            status = np.where(count > 1, COMBINED, np.where(count == 1, MEASURED, MISSING))
            status = np.where((guessed & present).any(axis=0), FORECAST, status)
            return values, origin, status
        # The best station that measures this at all: not every one has humidity or rain.
        share = present.mean(axis=1)
        first = int(np.argmax(share >= LEAST_SHARE_OF_BEST * share.max()))
        order = np.array([first, *(at for at in range(len(days)) if at != first)])
        values, neighbour, _ = fill_from_neighbours(
            table[first], table[order[1:]], is_rain=name in NOT_AVERAGED
        )
        measured = present[first]
        filled = neighbour >= 0
        origin = np.where(measured, first, np.where(filled, order[neighbour + 1], -1))
        status = np.where(measured, MEASURED, np.where(filled, FILLED, MISSING))
        status = np.where(measured & guessed[first], FORECAST, status)
        return values, origin, status

    def _never_fetched(self, sites: pd.DataFrame, dates: pd.DatetimeIndex) -> list[str]:
        tasks = self._tasks(sites, dates)
        keys = [raw_key(kind, station, year) for station, kind, year in tasks]
        absent = sum(self.fetcher.cache.held(key) is None for key in keys)
        return (
            [f"{absent} of {len(tasks)} files were never fetched: run 'site-support weather'"]
            if absent
            else []
        )

    def _station_list(self) -> StationList:
        if self._known is None:
            record = self.fetcher.fetch(STATIONS_KEY, STATIONS_MAX_AGE)
            if record.is_absent:
                raise FetchError(f"{record.url} does not exist.", "Check the source's address.")
            self._known = StationList.read(self.fetcher.cache.path(STATIONS_KEY))
        return self._known

    def _tasks(self, sites: pd.DataFrame, dates: pd.DatetimeIndex) -> list[tuple[str, Kind, int]]:
        considered = self.consider(sites, dates)
        known = self._station_list()
        tasks: dict[tuple[str, Kind, int], None] = {}
        for site in sites.to_dict("records"):
            own = considered[(considered["site"] == str(site["site"])) & (considered["rank"] >= 0)]
            own = own.sort_values("rank")
            if own.empty:
                continue
            timezone, _ = _timezone(site, known, own["station"].iloc[0])
            for row in own.to_dict("records"):
                for kind in KINDS:
                    for year in years_needed(kind, dates, timezone):
                        if row["first"] <= year <= row["last"] + 1:
                            tasks[row["station"], kind, year] = None
        return list(tasks)


def _saturate(variables: dict[str, Provenanced]) -> None:
    """Hold dew points down to the mean temperature: they fall less with height than it does."""
    dewpoint, mean = variables["dewpoint_c"].values, variables["tmean_c"].values
    np.copyto(dewpoint, np.fmin(dewpoint, mean), where=np.isfinite(dewpoint))


def _check_places(sites: pd.DataFrame) -> None:
    without = sites[sites[["latitude", "longitude"]].isna().any(axis=1)]["site"]
    if len(without):
        raise StudyError(
            f"Without coordinates no weather station can be found: {', '.join(without.head(5))}.",
            "Fill in latitude and longitude in the sites sheet.",
        )


def _timezone(site: dict[Any, Any], known: StationList, station: str) -> tuple[str, str]:
    """Time zone of a site's days, and what to say when it is not the site's own."""
    own = site.get("timezone")
    if isinstance(own, str) and own:
        if not is_time_zone(own):
            raise StudyError(
                f"sites: {own!r}, the time zone of {site['site']}, is not known.",
                'Write its IANA name, such as "America/Denver".',
            )
        return own, ""
    of_station = known.station(station).timezone
    if isinstance(of_station, str) and is_time_zone(of_station):
        return of_station, f"days in the time zone of its weather station, {of_station}"
    zone = zone_by_longitude(float(site["longitude"]))
    return zone, f"days by longitude, {zone}, for want of a time zone"
