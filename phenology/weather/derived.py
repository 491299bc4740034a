"""What daily weather means for flowers and birds: sums, seasons, daylight, on xarray."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenology.weather.air import (
    degree_days_baskerville_emin69,
    hours_above,
    vapour_pressure_deficit_kpa,
)
from phenology.weather.daylight import day_length_h
from phenology.weather.spi import spi_mckee93

ANTECEDENT_DAYS = (7, 30, 90)
RAIN_SHARES = (0.10, 0.25, 0.50, 0.75, 0.90)
ALLOWED_MISSING = 0.1  # a sum over days may lack this share of them; beyond it is missing
HARD_FROST_C = -2.2  # 28 °F: common practice for frost that kills soft growth
DEGREE_DAY_BASE_C = 10.0  # common practice where no species' own base is known


@dataclass(frozen=True)
class Window:
    """A part of the year, "MM-DD" to "MM-DD"; may cross New Year.

    A season carries the year in which it begins, and its days are days of that year.
    """

    start: str
    until: str

    def season(self, dates: pd.DatetimeIndex) -> npt.NDArray[np.int64]:
        """Season of each date; −1 outside the window.

        Examples
        --------
        >>> winter = Window("10-01", "03-31")
        >>> winter.season(pd.DatetimeIndex(["2030-11-05", "2031-02-01", "2031-06-01"])).tolist()
        [2030, 2030, -1]
        """
        month_day = dates.month.to_numpy() * 100 + dates.day.to_numpy()
        start, until = (int(text[:2]) * 100 + int(text[3:]) for text in (self.start, self.until))
        year = dates.year.to_numpy().astype(np.int64)
        if start <= until:
            return np.where((month_day >= start) & (month_day <= until), year, -1)
        begun, running = month_day >= start, month_day <= until
        return np.where(begun, year, np.where(running, year - 1, -1))

    def first(self, season: int) -> date:
        """First day of a season."""
        return date(season, int(self.start[:2]), int(self.start[3:]))

    def length(self, season: int) -> int:
        """Days of a season, ends included."""
        crosses = self.start > self.until
        last = date(season + crosses, int(self.until[:2]), int(self.until[3:]))
        return (last - self.first(season)).days + 1

    def days(self, season: int) -> pd.DatetimeIndex:
        """Every day of a season."""
        return pd.date_range(self.first(season), periods=self.length(season), unit="s")


RAINY_SEASON = Window("06-15", "09-30")  # the calendar monsoon, common practice since 2008
WINTER = Window("10-01", "03-31")
SPRING = Window("01-01", "06-30")


def season_block(
    values: xr.DataArray, window: Window, season: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """Values of one season on every day of it, and those days as days of the season's year.

    Returns
    -------
    values : array (site, day)
        Missing where the series does not reach.
    day_of_year : array (day,)
        Runs past 365 when the window crosses New Year.
    """
    days = window.days(season).to_numpy().astype("datetime64[D]")
    dates = values["date"].to_numpy().astype("datetime64[D]")
    at = np.minimum(np.searchsorted(dates, days), dates.size - 1)
    held = dates[at] == days
    block = np.full((values.sizes["site"], len(days)), np.nan)
    block[:, held] = values.transpose("site", "date").to_numpy()[:, at[held]]
    first = window.first(season)
    return block, np.arange(len(days)) + first.timetuple().tm_yday


def seasons_of(weather: xr.Dataset | xr.DataArray, window: Window) -> list[int]:
    """Seasons of which the dates hold at least half the days."""
    season = window.season(pd.DatetimeIndex(weather["date"].to_numpy()))
    years, days = np.unique(season[season >= 0], return_counts=True)
    return [
        int(year)
        for year, count in zip(years, days, strict=True)
        if 2 * count >= window.length(int(year))
    ]


def antecedent_rain_mm(rain_mm: xr.DataArray, days: int) -> xr.DataArray:
    """Rain of the `days` days before each day, the day itself left out.

    Parameters
    ----------
    rain_mm : DataArray
        On (site, date), every day present as a coordinate [mm].
    days : int

    Returns
    -------
    DataArray
        On (site, date) [mm]; missing where more than a tenth of the days are.

    Examples
    --------
    >>> days = pd.date_range("2031-07-01", periods=4)
    >>> rain = xr.DataArray([[1.0, 2.0, 4.0, 8.0]], {"site": ["fork"], "date": days})
    >>> antecedent_rain_mm(rain, 2).values.tolist()
    [[nan, nan, 3.0, 6.0]]
    """
    array = rain_mm.transpose("site", "date").to_numpy()
    known = np.isfinite(array)
    total = _sum_of_last(np.where(known, array, 0.0), days)
    count = _sum_of_last(known.astype(np.float64), days)
    enough = count >= (1 - ALLOWED_MISSING) * days
    return xr.DataArray(
        np.where(enough, total, np.nan).astype(np.float32),
        {"site": rain_mm["site"], "date": rain_mm["date"]},
        attrs={"units": "mm", "long_name": f"rain of the {days} days before"},
    )


def _sum_of_last(values: npt.NDArray[np.float64], days: int) -> npt.NDArray[np.float64]:
    upto = np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)
    total = np.zeros_like(values)
    total[:, days:] = upto[:, days:-1] - upto[:, : -days - 1]
    return total


def rain_share_days(
    rain_mm: npt.NDArray[np.float64], shares: tuple[float, ...] = RAIN_SHARES
) -> npt.NDArray[np.float64]:
    """Day, counted from 1, by which each share of a season's rain had fallen.

    Parameters
    ----------
    rain_mm : array (site, day)
        [mm]

    Returns
    -------
    array (site, share)
        Missing where it never rained or more than a tenth of the days are missing.

    References
    ----------
    Grantz, K. et al. (2007). Journal of Climate 20:1923-1936.
    https://doi.org/10.1175/JCLI4091.1

    Examples
    --------
    >>> rain_share_days(np.array([[0.0, 5.0, 0.0, 5.0]]), (0.5, 0.9)).tolist()
    [[2.0, 4.0]]
    """
    upto = np.nancumsum(rain_mm, axis=1)
    total = upto[:, -1:]
    reached = upto[:, None, :] >= np.asarray(shares)[None, :, None] * total[:, :, None] - 1e-9
    day = reached.argmax(axis=2) + 1.0
    known = _known_enough(rain_mm) & (total[:, 0] > 0)
    return np.where(known[:, None], day, np.nan)


def derive_days(
    weather: xr.Dataset,
    sites: pd.DataFrame,
    *,
    heat_c: float | None = None,
    base_c: float = DEGREE_DAY_BASE_C,
) -> xr.Dataset:
    """Derive what varies from day to day.

    Parameters
    ----------
    weather : Dataset
        As every weather source gives it.
    sites : DataFrame
        site, latitude, longitude.
    heat_c : float, optional
        The heat limit of the user's own permit [°C]; without one, no hours are counted.
    base_c : float
        Base of the degree-days [°C].

    Returns
    -------
    Dataset
        On (site, date): vapour_pressure_deficit_kpa, degree_days (single sine),
        rain_7d_mm, rain_30d_mm, rain_90d_mm, day_length_h and, with `heat_c`, hours_above_heat.
    """
    tmin, tmax = weather["tmin_c"], weather["tmax_c"]
    place = sites.assign(site=sites["site"].astype(str)).set_index("site")
    place = place.loc[weather["site"].to_numpy()]
    days = {
        "vapour_pressure_deficit_kpa": _described(
            vapour_pressure_deficit_kpa(tmin, tmax, weather["dewpoint_c"]),
            "kPa",
            "mean vapour pressure deficit",
        ),
        "degree_days": _described(
            degree_days_baskerville_emin69(tmin, tmax, base_c),
            "degC day",
            f"degree-days of the day above {base_c:g} degC, single sine",
        ),
        "day_length_h": xr.DataArray(
            day_length_h(
                place["latitude"], place["longitude"], pd.DatetimeIndex(weather["date"].to_numpy())
            ).astype(np.float32),
            {"site": weather["site"], "date": weather["date"]},
            attrs={"units": "h", "long_name": "sunrise to sunset"},
        ),
    }
    for span in ANTECEDENT_DAYS:
        days[f"rain_{span}d_mm"] = antecedent_rain_mm(weather["rain_mm"], span)
    if heat_c is not None:
        days["hours_above_heat"] = _described(
            hours_above(tmin, tmax, heat_c), "h", f"hours above {heat_c:g} degC, single sine"
        )
    return xr.Dataset(days)


def derive_seasons(weather: xr.Dataset, window: Window = RAINY_SEASON) -> xr.Dataset:
    """Derive what is told once a year.

    Parameters
    ----------
    weather : Dataset
        As every weather source gives it.
    window : Window
        The rainy season.

    Returns
    -------
    Dataset
        On (site, season): season_rain_mm, wet_days, spi, winter_precipitation_mm (October to
        March before the season), hard_frosts and last_hard_frost_day (January to June; the day
        is missing in a spring without one); on (site, season, share): rain_share_day, day of
        year. Sums that lack more than a tenth of their days are missing.
    """
    seasons = seasons_of(weather, window)
    sites = weather.sizes["site"]
    rain = {name: np.full((sites, len(seasons)), np.nan) for name in ("total", "wet", "winter")}
    frosts, last_frost = (np.full((sites, len(seasons)), np.nan) for _ in range(2))
    share_day = np.full((sites, len(seasons), len(RAIN_SHARES)), np.nan)
    for position, season in enumerate(seasons):
        block, day_of_year = season_block(weather["rain_mm"], window, season)
        rain["total"][:, position] = _sum(block)
        rain["wet"][:, position] = _sum(np.where(np.isnan(block), np.nan, block >= 1.0))
        share_day[:, position] = rain_share_days(block) + day_of_year[0] - 1
        before = season - (1 if window.start > WINTER.until else 2)
        rain["winter"][:, position] = _sum(season_block(weather["rain_mm"], WINTER, before)[0])
        cold, spring_day = season_block(weather["tmin_c"], SPRING, season)
        hard = np.where(np.isnan(cold), np.nan, cold <= HARD_FROST_C)
        frosts[:, position] = _sum(hard)
        last = np.where(hard == 1.0, spring_day, -1).max(axis=1)
        last_frost[:, position] = np.where(frosts[:, position] > 0, last, np.nan)
    dims, coordinates = ("site", "season"), {"site": weather["site"], "season": seasons}

    def by_season(values: npt.NDArray[np.float64], units: str, name: str) -> xr.DataArray:
        return xr.DataArray(values, coordinates, dims, attrs={"units": units, "long_name": name})

    total = by_season(rain["total"], "mm", f"rain {window.start} to {window.until}")
    return xr.Dataset(
        {
            "season_rain_mm": total,
            "wet_days": by_season(rain["wet"], "1", "days with 1 mm or more in the season"),
            "spi": spi_mckee93(total),
            "winter_precipitation_mm": by_season(rain["winter"], "mm", "October to March before"),
            "hard_frosts": by_season(frosts, "1", f"days at {HARD_FROST_C} degC or below"),
            "last_hard_frost_day": by_season(last_frost, "1", "day of year, January to June"),
            "rain_share_day": xr.DataArray(
                share_day,
                {**coordinates, "share": list(RAIN_SHARES)},
                ("site", "season", "share"),
                attrs={"units": "1", "long_name": "day of year by which the share had fallen"},
            ),
        }
    )


def _sum(block: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.where(_known_enough(block), np.nansum(block, axis=1), np.nan)


def _known_enough(block: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    known: npt.NDArray[np.bool_] = np.isfinite(block).mean(axis=1) >= 1 - ALLOWED_MISSING
    return known


def _described(values: xr.DataArray, units: str, long_name: str) -> xr.DataArray:
    return values.drop_attrs().astype(np.float32).assign_attrs(units=units, long_name=long_name)
