"""The standardised precipitation index of season totals, with bounds."""

import numpy as np
import numpy.typing as npt
import xarray as xr

from phenology.quantities import HIGH_QUANTILE, LOW_QUANTILE

SPI_BOUND = 3.09  # beyond a thousandth, a few dozen years say no more
LEAST_SPI_YEARS = 10
SPI_RESAMPLES = 200


def spi_mckee93(totals_mm: xr.DataArray) -> xr.DataArray:
    """Standardised precipitation index of season totals, year by year.

    z = Φ⁻¹[q + (1 − q)·G(x)], with q the share of dry years and G the gamma distribution fitted
    to the wet ones by Thom's approximation.

    Parameters
    ----------
    totals_mm : DataArray
        On (site, season) [mm].

    Returns
    -------
    DataArray
        On (site, season) [standard deviations], within ±3.09; missing for sites with fewer than
        ten seasons.

    Notes
    -----
    With fewer than thirty years the tails are guesses: see `spi_bounds`.

    References
    ----------
    McKee, T. B., Doesken, N. J. & Kleist, J. (1993). 8th Conference on Applied Climatology,
    179-184. Thom, H. C. S. (1966). WMO Technical Note 81.
    """
    totals = totals_mm.transpose("site", "season").astype(float)
    index = _spi_against(totals.to_numpy(), totals.to_numpy())
    return totals.copy(data=index).assign_attrs(
        units="1", long_name="standardised precipitation index"
    )


def spi_bounds(totals_mm: xr.DataArray, seed: int) -> tuple[xr.DataArray, xr.DataArray]:
    """90 % bounds of `spi_mckee93` for not knowing the normal: its years are drawn anew.

    Parameters
    ----------
    totals_mm : DataArray
        On (site, season) [mm].
    seed : int

    Returns
    -------
    low, high : DataArray
        On (site, season) [standard deviations].
    """
    totals = totals_mm.transpose("site", "season").astype(float)
    values = totals.to_numpy()
    sites, seasons = values.shape
    years = np.random.default_rng(seed).integers(0, seasons, (SPI_RESAMPLES, seasons))
    normal = values[:, years].swapaxes(0, 1).reshape(-1, seasons)  # (draw and site, season)
    index = _spi_against(np.tile(values, (SPI_RESAMPLES, 1)), normal)
    draws = index.reshape(SPI_RESAMPLES, sites, seasons)
    known = np.isfinite(_spi_against(values, values))
    some = np.where(np.isfinite(draws), draws, np.nan_to_num(np.median(draws, axis=0)))
    low, high = np.quantile(some, [LOW_QUANTILE, HIGH_QUANTILE], axis=0)
    return totals.copy(data=np.where(known, low, np.nan)), totals.copy(
        data=np.where(known, high, np.nan)
    )


def _spi_against(
    totals: npt.NDArray[np.float64], normal: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Index of totals against the distribution of `normal`, row by row."""
    shape, scale = gamma_thom66(normal)
    years = np.isfinite(normal).sum(axis=1, keepdims=True)
    dry_share = (normal == 0).sum(axis=1, keepdims=True) / np.maximum(years, 1)
    index = np.clip(standard_score_of_gamma(totals, shape, scale, dry_share), -SPI_BOUND, SPI_BOUND)
    return np.where(np.isfinite(totals) & (years >= LEAST_SPI_YEARS), index, np.nan)


def gamma_thom66(
    amount_mm: npt.NDArray[np.float64],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Gamma distribution of the wet years of each row, by Thom's approximation.

    A = ln(x̄) − mean(ln x),  α = [1 + √(1 + 4A/3)]/(4A),  β = x̄/α.

    Parameters
    ----------
    amount_mm : array (row, year)
        [mm]; zeros and missing years are left out.

    Returns
    -------
    shape, scale_mm : array (row, 1)

    References
    ----------
    Thom, H. C. S. (1958). Monthly Weather Review 86:117-122.
    https://doi.org/10.1175/1520-0493(1958)086<0117:ANOTGD>2.0.CO;2
    """
    wet = amount_mm > 0
    years = np.maximum(wet.sum(axis=1, keepdims=True), 1)
    mean = np.where(wet, amount_mm, 0.0).sum(axis=1, keepdims=True) / years
    mean = np.where(mean > 0, mean, np.nan)
    logs = np.log(np.where(wet, amount_mm, 1.0)).sum(axis=1, keepdims=True) / years
    spread = np.maximum(np.log(mean) - logs, 1e-9)
    shape = (1 + np.sqrt(1 + 4 * spread / 3)) / (4 * spread)
    return shape, mean / shape


def standard_score_of_gamma(
    amount_mm: npt.ArrayLike,
    shape: npt.ArrayLike,
    scale_mm: npt.ArrayLike,
    dry_share: npt.ArrayLike,
) -> npt.NDArray[np.float64]:
    """Φ⁻¹[q + (1 − q)·G(x)] of amounts under a gamma distribution with a share q of zeros.

    Parameters
    ----------
    amount_mm, scale_mm : array
        [mm]
    shape, dry_share : array

    Returns
    -------
    array
        [standard deviations]
    """
    from scipy.special import gammainc, ndtri

    dry = np.asarray(dry_share)
    below = gammainc(shape, np.asarray(amount_mm) / scale_mm)
    score: npt.NDArray[np.float64] = ndtri(dry + (1 - dry) * below)
    return score
