"""The vocabulary: every quantity, role, driver, basis and canonical value has its one name here.

This file imports nothing, so that `models` can share it without knowing the rest of the package.
"""

WHOLE_REGION = "all of "  # opens the name of a region where a site's name would stand

# name: (unit, definition). A reported number has one of these names or it is not reported.
QUANTITIES: dict[str, tuple[str, str]] = {
    "arrival_day": (
        "day of year",
        "day by which 5 % of the season's bird-days have passed; for a local group the day of half rise",
    ),
    "peak_day": ("day of year", "day on which most birds are present"),
    "departure_day": (
        "day of year",
        "day by which 95 % of the season's bird-days have passed; for a local group the day of half fall",
    ),
    "capture_index": (
        "ratio to typical year",
        "captures a season at equal effort, relative to this site's typical year",
    ),
    "fuel_load": ("share of lean mass", "mass over lean mass, less one"),
    "fuel_after_breeding": (
        "share of lean mass",
        "fuel load of local birds at their last capture of the season, once their breeding is over",
    ),
    "lean_mass_g": (
        "g",
        "expected mass of a bird of that size, species, sex and age at fat score 0, empty crop, sunrise",
    ),
    "fuel_deposition_g_per_day": (
        "g/day",
        "mass gained in a day by birds caught again in the same stay",
    ),
    "stopover_days": ("days", "time from entering the site to leaving it"),
    "potential_range_km": ("km", "still-air, non-stop range on the fuel carried, reserve kept"),
    "share_ready": ("share of birds", "share of birds whose departure fuel reaches the next stop"),
    "share_local": ("share of birds", "share of the birds caught that are local"),
    "lean_condition": (
        "log mass ratio",
        "mean log residual of mass after size, fat, hour and crop; gravid birds out",
    ),
    "young_per_adult": ("share of young", "young / (young + adult females), same dates and method"),
    "survival": (
        "share a year",
        "apparent yearly survival of local birds: deaths and leavers together",
    ),
    "return_rate": ("share a year", "share of local birds caught again in a later season"),
    "pollen_share": ("share of birds", "share of birds with pollen on them"),
    "moult_share": ("share of birds", "share of local adults that moult, same dates"),
    "breeding_share": (
        "share of birds",
        "share of local adults in breeding condition, same dates",
    ),
    "effect": (
        "see outcome and driver",
        "change of the outcome for the stated change of the driver",
    ),
    "days_to_departure": ("days", "days from capture to leaving, expected"),
    "onset_day": ("day of year", "first day of the monsoon"),
    "withdrawal_day": ("day of year", "last day of the monsoon"),
    "season_rain_mm": ("mm", "rain summed over the stated season"),
    "spi": ("standard deviations", "standardised precipitation index of the season's rain"),
    "bloom_index": (
        "log ratio",
        "log of open flowers over this site's normal for the day; of a season, the mean of its days",
    ),
    "nectar_kj_per_ha": (
        "kJ/ha/day",
        "energy in the nectar that a hectare's flowers offer in a day",
    ),
    "bird_days_fed": ("bird-days/day", "birds that the energy on offer could feed for a day"),
    "share_of_need": (
        "times the need",
        "birds that the energy on offer could feed over the birds counted without bait, on the days counted",
    ),
    "expected_captures": ("birds", "captures expected on a day under the stated effort"),
    "forecast_skill": (
        "share",
        "1 − CRPS of the forecast over CRPS of the baseline, years left out",
    ),
    "incident_rate": ("share of captures", "injuries and deaths over captures"),
}

# Columns of estimates.csv. The key columns are unique together.
ESTIMATE_KEY = (
    "quantity",
    "definition",
    "outcome",
    "driver",
    "scenario",
    "site",
    "season",
    "day",
    "group",
    "role",
    "plant",
)
ESTIMATE_VALUES = (
    "unit",
    "estimate",
    "low",
    "high",
    "share_own",
    "share_borrowed",
    "share_prior",
    "birds",
    "basis",
    "note",
)

ROLES = ("local", "passage")
SPECIES_ROLES = ("local", "passage", "mixed")
BASES = ("measured", "borrowed", "assumed", "extrapolated", "refused")
DRIVERS = (
    "bloom",
    "monsoon_onset",
    "monsoon_strength",
    "feeders",
    "feeders_x_bloom",
    "events",
    "neighbour_feeders",
    "feeder_ports",
    "feeder_distance",
    "habitat",
    "burned",
    "water_distance",
)
SEVERITIES = ("impossible", "doubtful", "note")
ACTIONS = ("kept", "blanked", "set aside")

AGES = ("adult", "young", "unknown")
SEXES = ("male", "female", "unknown")
CAPTURES = (
    "new",
    "repeat",
    "return",
    "foreign",
    "unbanded",
    "band_replaced",
    "band_lost",
    "escaped",
)

# Definitions that more than one part tells apart, as `definition` holds them.
AT_EQUAL = "at equal days and groups"  # a level, comparable between sites
AGAINST_NORMAL = "season against the site's normal"  # a difference, not a level
WITHIN, BETWEEN = "within-site", "between-site"  # effects

INTERVAL = 0.90  # every `low` and `high` bounds this share of the posterior, equal tails
LOW_QUANTILE = (1 - INTERVAL) / 2
HIGH_QUANTILE = 1 - LOW_QUANTILE
