"""Names of quantities as headings and axes show them."""

TITLES = {
    "lean_mass_g": "Lean mass",
    "fuel_deposition_g_per_day": "Mass gained a day",
    "stopover_days": "Stay",
    "potential_range_km": "Potential range",
    "share_ready": "Share ready for the next stop",
    "young_per_adult": "Share of young",
    "pollen_share": "Share with pollen",
    "fuel_after_breeding": "Fuel once breeding is over",
    "moult_share": "Share in moult",
    "breeding_share": "Share in breeding condition",
    "capture_index": "Captures against a typical year",
    "onset_day": "Onset of the monsoon",
    "withdrawal_day": "End of the monsoon",
    "season_rain_mm": "Rain of the season",
    "spi": "Rain of the season against its normal",
    "bloom_index": "Bloom against its normal",
    "nectar_kj_per_ha": "Energy in the nectar of a hectare",
    "bird_days_fed": "Birds that could be fed",
    "share_of_need": "Birds that could be fed over birds counted",
}


def title_words(quantity: str) -> str:
    """A quantity as a heading.

    Examples
    --------
    >>> title_words("lean_mass_g"), title_words("fuel_load")
    ('Lean mass', 'Fuel load')
    """
    return TITLES.get(quantity, quantity.replace("_", " ").capitalize())
