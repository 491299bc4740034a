"""Time zones of sites: which names are one, and which stands in for an unknown one."""

from __future__ import annotations


def is_time_zone(name: str) -> bool:
    """Whether a name is that of a time zone.

    Examples
    --------
    >>> is_time_zone("America/Denver"), is_time_zone("Mountain")
    (True, False)
    """
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # OSError: a folder of zones, or too long
        return False
    return True


def zone_by_longitude(longitude: float) -> str:
    """Name of the zone of whole hours nearest to the sun's time at a longitude [degrees].

    Examples
    --------
    >>> zone_by_longitude(-108.2), zone_by_longitude(0.5)
    ('Etc/GMT+7', 'Etc/GMT')
    """
    offset = round(longitude / 15)
    return f"Etc/GMT{-offset:+d}" if offset else "Etc/GMT"
