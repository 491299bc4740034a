"""Survival and return of local birds from one season to the next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenology.models.refusal import Refused

if TYPE_CHECKING:
    import xarray as xr

    from phenology.estimates import Estimates

Array = npt.NDArray[np.float64]
NOTE = "apparent: birds that died and birds that settled elsewhere together"
RETURN_NOTE = (
    "mixes survival, fidelity, effort and the seasons since; no proof of breeding, for passage "
    "birds are faithful to routes"
)
FEWEST_BANDED = 10  # adults banded in a season, for a return rate of its own


def assess_survival(
    captures: pd.DataFrame,
    roles: pd.Series[str],
    site_days: xr.Dataset,
    season_years: pd.Series[int],
    answers: Estimates,
) -> None:
    """Yearly apparent survival and return rate of the adults of local species, by site.

    Recapture follows the log of the hours of trapping and netting; newly banded birds have a
    first interval of their own, for birds on passage among them never come back.

    Parameters
    ----------
    captures : DataFrame
        Clean captures.
    roles : Series
        Role that study.toml states, of each capture. Mixed species are refused: their locals are
        known by draws, not one by one.
    site_days : Dataset
        effort_hours on (site, date, bait).
    season_years : Series
        Year in which the season of each capture begins.
    answers : Estimates
        Gains survival and return_rate.
    """
    adults = captures.assign(year=season_years)
    adults = adults[captures["band"].notna() & captures["age"].eq("adult")]
    hours = site_days["effort_hours"].sum(["bait"]).to_series().groupby("site")
    hours_by_year = {
        str(site): of_site.groupby(of_site.index.get_level_values("date").year).sum()
        for site, of_site in hours
    }
    for (site, species), birds in adults.groupby(["site", "species"]):
        role = roles.loc[birds.index].iloc[0]
        key: dict[str, Any] = {"site": str(site), "group": str(species), "role": "local"}
        number = birds["band"].nunique()
        if role == "passage":
            continue
        if role == "mixed":
            told = "the species breeds and passes here: its local birds are not known one by one"
            answers.refuse("survival", told, birds=number, **key)
            continue
        _report_return(birds, key, answers)
        try:
            interval = _fit_site(birds, hours_by_year[str(site)])
        except Refused as reason:
            answers.refuse("survival", str(reason), birds=number, **key)
            continue
        answers.add_interval("survival", interval, birds=number, basis="measured", note=NOTE, **key)


def _fit_site(birds: pd.DataFrame, hours: pd.Series[float]) -> tuple[float, float, float]:
    from phenology.models.recaptures import recapture_table
    from phenology.models.survival import fit_survival

    years = np.arange(birds["year"].min(), birds["year"].max() + 1)
    if len(years) < 3:
        raise Refused(f"{len(years)} seasons; survival and recapture are told apart by three")
    bird, bands = pd.factorize(birds["band"])
    caught = np.zeros((len(bands), len(years)), dtype=bool)
    caught[bird, birds["year"].to_numpy(dtype=int) - years[0]] = True
    effort = hours.reindex(years).fillna(0.0).to_numpy(dtype=float)[1:]
    sampled = (effort > 0) | caught[:, 1:].any(axis=0)
    log_effort = np.log(np.where(effort > 0, effort, 1.0))
    log_effort = np.where(effort > 0, log_effort, 0.0)
    centred = np.where(effort > 0, log_effort - log_effort[effort > 0].mean(), 0.0)
    recapture = np.column_stack([np.ones(len(centred)), centred])
    how = recapture if centred[sampled].std() > 0.1 else "constant"
    fit = fit_survival(recapture_table(caught), recapture=how, sampled=sampled, transients=True)
    row = fit.survival.iloc[0]
    if not np.isfinite(row["estimate"]):
        raise Refused("survival and recapture cannot be told apart: " + ", ".join(fit.confounded))
    if row["high"] - row["low"] > 0.9:
        raise Refused(
            f"too few birds came back to tell survival: anything from {row['low']:.2f} to "
            f"{row['high']:.2f} would fit"
        )
    return float(row["estimate"]), float(row["low"]), float(row["high"])


def _report_return(birds: pd.DataFrame, key: dict[str, Any], answers: Estimates) -> None:
    from phenology.models.recaptures import return_rate

    seasons = birds.groupby("band")["year"].agg(["min", "max"])
    rates = return_rate(seasons["min"], seasons["max"] > seasons["min"], int(birds["year"].max()))
    for row in rates.to_dict("records"):
        place = key | {"season": str(row["season"])}
        if row["refused"]:
            answers.refuse("return_rate", row["refused"], birds=row["birds"], **place)
        elif row["birds"] >= FEWEST_BANDED:
            interval = (row["estimate"], row["low"], row["high"])
            answers.add_interval(
                "return_rate", interval, birds=row["birds"], basis="measured", note=RETURN_NOTE,
                **place,
            )  # fmt: skip
