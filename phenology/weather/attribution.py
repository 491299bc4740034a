"""Whom to name for weather data, and under which licence it comes."""

from collections.abc import Iterable

LICENCE = "CC BY 4.0 (https://creativecommons.org/licenses/by/4.0/)"
# Providers whose owner the library does not name.
OWNERS = {
    "isd_lite": "NOAA National Centers for Environmental Information, Integrated Surface Database",
    "ghcnd": "NOAA National Centers for Environmental Information, GHCN-Daily",
    "metar": "NOAA Aviation Weather Center, METAR reports",
}
CHANGES = (
    "Changes made: dew point computed from hourly temperature and humidity, hours averaged over "
    "local days, temperatures and dew point adjusted for height, gaps filled from neighbouring "
    "stations where marked."
)


def attribution(providers: Iterable[str]) -> str:
    """Sentence for the report: source, providers, licence, changes.

    Parameters
    ----------
    providers : iterable of str
        Provider identifiers that the values used came from.

    Examples
    --------
    >>> attribution(["ghcnd"]).split(";")[0]
    'Weather: Meteostat (https://meteostat.net), from NOAA National Centers for Environmental \
Information, GHCN-Daily'
    """
    owners = "; ".join(sorted({_owner(provider) for provider in providers}))
    named = f", from {owners}" if owners else ""
    return f"Weather: Meteostat (https://meteostat.net){named}; licence {LICENCE}. {CHANGES}"


def _owner(provider: str) -> str:
    if provider in OWNERS:
        return OWNERS[provider]
    from meteostat.core.providers import provider_service

    known = provider_service.get_provider(provider)
    if known is None or known.license is None or not known.license.attribution:
        return provider
    return str(known.license.attribution)
