"""Weather at the study's sites: sources, stations, gap filling, derived quantities, monsoon."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from phenology.weather.source import MemoryWeather, WeatherSource, daily_weather

__all__ = ["MemoryWeather", "WeatherSource", "daily_weather"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from phenology.weather import source

        return getattr(source, name)
    raise AttributeError(f"module 'phenology.weather' has no attribute {name!r}")
