"""What a run found, as one object: the report, the tables and a notebook read it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    import xarray as xr

    from phenology.study.study import Study
    from phenology.weather.monsoon import MonsoonYears


def _no_rows() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame()


@dataclass(frozen=True)
class Assessment:
    """The answers of one run, with what they rest on.

    Attributes
    ----------
    study : Study
        The folder as opened: options, clean sheets, findings, rows set aside.
    site_days : xarray.Dataset
        Everything joined, on (site, date).
    estimates : pandas.DataFrame
        The columns of estimates.csv (`phenology.quantities.ESTIMATE_KEY`, then
        `ESTIMATE_VALUES`); numbers are missing exactly where `basis` is "refused".
    captures : pandas.DataFrame
        Used captures without bander and remarks, with `group`, `lean_mass_g`, `fuel_load`,
        `potential_range_km`, `p_local` and, for each, `_low` and `_high` (90 %).
    curves : pandas.DataFrame
        Season curves: site, season, group, role, curve (present or captured), day, estimate,
        low, high; in birds a day at typical effort, to a millionth.
    draws : mapping of str to xarray.Dataset
        Draws by model, aligned by the dimension `draw`.
    chances : pandas.DataFrame
        Chances between sites, of `phenology.assess.comparison.compare_sites`.
    diagnostics : pandas.DataFrame
        model, statistic, value, threshold, passed, meaning.
    narrowed : tuple of str
        One sentence for each absent sheet or column: what it costs the answers.
    seed : int
    versions, inputs : dict
        Package versions and the kind of machine; input files with their hashes.
    cite : tuple of str
        Sources that a user of these numbers should cite.
    monsoon : MonsoonYears, optional
        Onset, withdrawal and strength by site and year, where there is weather.
    landscape : pandas.DataFrame
        Habitat, burned ground and water about each site and season, from
        `phenology.landscape.describe_landscape`; empty without layers.
    """

    study: Study
    site_days: xr.Dataset
    estimates: pd.DataFrame
    captures: pd.DataFrame
    curves: pd.DataFrame
    draws: Mapping[str, xr.Dataset]
    diagnostics: pd.DataFrame
    narrowed: tuple[str, ...]
    seed: int
    versions: dict[str, str] = field(default_factory=dict)
    inputs: dict[str, str] = field(default_factory=dict)
    cite: tuple[str, ...] = ()
    monsoon: MonsoonYears | None = None
    landscape: pd.DataFrame = field(default_factory=_no_rows)
    chances: pd.DataFrame = field(default_factory=_no_rows)
