"""Scaled mass index: mass standardised to one body size by the allometric slope."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from phenology.models.refusal import Refused

Array = npt.NDArray[np.float64]


class ScaledMassIndex(NamedTuple):
    """Index of each bird [g], the slope behind it, and the size it stands for."""

    index_g: Array
    slope: float
    reference_mm: float


def scaled_mass_index_peig09(
    mass_g: npt.ArrayLike, length_mm: npt.ArrayLike, reference_mm: float | None = None
) -> ScaledMassIndex:
    """Mass that each bird would have at one body size.

    M (L₀ / L)ᵇ, with b the standardised major axis slope of ln M on ln L, that is, the ordinary
    slope over the correlation.

    Parameters
    ----------
    mass_g, length_mm : array-like, (n,)
        Mass and a linear measure of size, such as wing; missing values stay missing.
    reference_mm : float, optional
        L₀; the mean length by default.

    Returns
    -------
    ScaledMassIndex
        `index_g` of shape (n,).

    Raises
    ------
    Refused
        With fewer than five birds, or where mass does not rise with length.

    Notes
    -----
    Not to be believed where fuel differs between birds by much more than structure: fuel is in
    the mass, so the slope and the index both carry it. One slip of the pen moves the slope.

    References
    ----------
    Peig, J. & Green, A. J. (2009), Oikos 118:1883, doi:10.1111/j.1600-0706.2009.17643.x.

    Examples
    --------
    >>> found = scaled_mass_index_peig09([1.0, 8.0, 27.0, 64.0, 125.0], [1.0, 2.0, 3.0, 4.0, 5.0])
    >>> round(found.slope, 6), found.index_g.round(6).tolist()
    (3.0, [27.0, 27.0, 27.0, 27.0, 27.0])
    """
    mass = np.asarray(mass_g, dtype=float)
    length = np.asarray(length_mm, dtype=float)
    known = np.isfinite(mass) & np.isfinite(length) & (mass > 0) & (length > 0)
    if known.sum() < 5:
        raise Refused(f"the scaled mass index needs 5 birds measured, not {known.sum()}")
    log_mass, log_length = np.log(mass[known]), np.log(length[known])
    if min(np.ptp(log_length), np.ptp(log_mass)) == 0:
        raise Refused("all birds are of one mass or one length: there is no slope to scale by")
    if np.corrcoef(log_length, log_mass)[0, 1] <= 0:
        raise Refused("mass does not rise with length here: there is no slope to scale by")
    slope = float(log_mass.std() / log_length.std())
    reference = float(length[known].mean()) if reference_mm is None else reference_mm
    index = np.full(mass.shape, np.nan)
    index[known] = mass[known] * (reference / length[known]) ** slope
    return ScaledMassIndex(index, slope, reference)
