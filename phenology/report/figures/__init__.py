"""Figures: each a function of plain tables that returns an Altair chart.

Colours are those of light ground (`phenology.report.palette`); a notebook shows a chart as it
is, the report adapts it to dark screens and paper. Data stand under names in the chart's
`datasets`, which is what a reader downloads.
"""

from phenology.report.figures.bloom import draw_bloom_curves, draw_energy
from phenology.report.figures.conditions import draw_conditions
from phenology.report.figures.effort import draw_effort_calendar
from phenology.report.figures.findings import draw_findings
from phenology.report.figures.forecast import draw_forecast_calendar, draw_forecast_skill
from phenology.report.figures.fuel import draw_fuel_by_day, draw_gain, draw_lean_mass
from phenology.report.figures.glance import draw_glance
from phenology.report.figures.intervals import draw_intervals
from phenology.report.figures.ladder import ladder_px
from phenology.report.figures.learning import draw_learning
from phenology.report.figures.monsoon import draw_monsoon_calendar
from phenology.report.figures.plan import draw_plans
from phenology.report.figures.readers import draw_last_digits, draw_readers
from phenology.report.figures.season import (
    date_span,
    draw_dates_by_year,
    draw_first_captures,
    draw_season_curves,
)

__all__ = [
    "date_span",
    "draw_bloom_curves",
    "draw_conditions",
    "draw_dates_by_year",
    "draw_effort_calendar",
    "draw_energy",
    "draw_findings",
    "draw_first_captures",
    "draw_forecast_calendar",
    "draw_forecast_skill",
    "draw_fuel_by_day",
    "draw_gain",
    "draw_glance",
    "draw_intervals",
    "draw_last_digits",
    "draw_lean_mass",
    "draw_learning",
    "draw_monsoon_calendar",
    "draw_plans",
    "draw_readers",
    "draw_season_curves",
    "ladder_px",
]
