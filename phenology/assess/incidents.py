"""Harm to birds: exact rates by species, trap, hour and heat; by bander for the licence holder."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

if TYPE_CHECKING:
    import xarray as xr

    from phenology.estimates import Estimates
    from phenology.study.study import Study

FEWEST_CAPTURES = 20  # of a class with its state noted, for a rate of its own
HEAT_STEP_C = 5.0
HARMED = ("injured", "died")
COLUMNS = ["by", "site", "class", "captures", "incidents", "estimate", "low", "high"]


def exact_rate(incidents: int, captures: int) -> tuple[float, float, float]:
    """Rate with its exact 90 % interval (equal tails of the binomial).

    Parameters
    ----------
    incidents, captures : int
        Captures above 0.

    References
    ----------
    Clopper, C. J. & Pearson, E. S. (1934), Biometrika 26:404, doi:10.1093/biomet/26.4.404

    Examples
    --------
    >>> [round(end, 4) for end in exact_rate(0, 100)]
    [0.0, 0.0, 0.0295]
    """
    from scipy.stats import beta

    spared = captures - incidents
    low = beta.ppf(LOW_QUANTILE, incidents, spared + 1) if incidents else 0.0
    high = beta.ppf(HIGH_QUANTILE, incidents + 1, spared) if spared else 1.0
    return incidents / captures, float(low), float(high)


def incident_rates(study: Study, site_days: xr.Dataset) -> pd.DataFrame:
    """Injuries and deaths among the captures whose state at release was noted.

    Parameters
    ----------
    study : Study
    site_days : Dataset
        For the highest temperature of the day, `tmax_c`, where known.

    Returns
    -------
    DataFrame
        by (species, trap, hour, heat or bander), site (of a trap), class, captures, incidents,
        estimate, low, high. Classes with fewer than `FEWEST_CAPTURES` captures are left out.
        Rows by bander are private.

    Notes
    -----
    A bander with the difficult birds has more incidents: rates are for training, not for blame.
    """
    noted = study.captures[study.captures["released"].notna()]
    birds = pd.DataFrame(
        {
            "site": noted["site"].astype(str),
            "harmed": noted["released"].isin(HARMED),
            "species": noted["species"],
            "trap": noted["trap"],
            "hour": [_span(hour, 1.0, "h") for hour in noted["time"]],
            "heat": [_span(heat, HEAT_STEP_C, "°C") for heat in _heat(noted, site_days)],
            "bander": noted["bander"],
        }
    )
    rows = []
    for by in ("species", "trap", "hour", "heat", "bander"):
        keys = ["site", by] if by == "trap" else [by]
        for key, alike in birds.dropna(subset=[by]).groupby(keys)["harmed"]:
            if len(alike) >= FEWEST_CAPTURES:
                incidents = int(alike.sum())
                site = key[0] if by == "trap" else ""
                rate = exact_rate(incidents, len(alike))
                rows.append((by, site, str(key[-1]), len(alike), incidents, *rate))
    return pd.DataFrame(rows, columns=COLUMNS)


def report_incidents(rates: pd.DataFrame, answers: Estimates) -> None:
    """Report every rate but those by bander as `incident_rate`."""
    if rates.empty:
        answers.refuse(
            "incident_rate",
            "the state of birds at release was not written down, or for fewer than "
            f"{FEWEST_CAPTURES} of a kind",
        )
    for row in rates[rates["by"] != "bander"].to_dict("records"):
        of_species = row["by"] == "species"
        answers.add_interval(
            "incident_rate",
            (row["estimate"], row["low"], row["high"]),
            birds=row["captures"],
            basis="measured",
            note=f"{row['incidents']} of {row['captures']} captures with their state noted",
            site=row["site"],
            group=row["class"] if of_species else "",
            definition="" if of_species else f"{row['by']} {row['class']}",
        )


def _heat(noted: pd.DataFrame, site_days: xr.Dataset) -> npt.NDArray[np.float64]:
    if "tmax_c" not in site_days:
        return np.full(len(noted), np.nan)
    tmax = site_days["tmax_c"].to_series().reorder_levels(["site", "date"])
    days = pd.MultiIndex.from_arrays([noted["site"].astype(str), pd.DatetimeIndex(noted["date"])])
    return np.asarray(tmax.reindex(days).to_numpy(dtype=float))


def _span(value: float, step: float, unit: str) -> str | None:
    if not np.isfinite(value):
        return None
    first = int(np.floor(value / step) * step)
    return f"{first} to {first + step:.0f} {unit}"
