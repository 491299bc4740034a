"""A finished run, opened again: forecasts, scenarios, comparisons and the local page read it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from phenology.assess.draws_file import has_draws, read_draws
from phenology.assess.outputs import SCHEMA_VERSION, SUPPORT
from phenology.errors import StudyError
from phenology.study.files import changed_inputs
from phenology.study.options import StudyOptions, parse_options

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    import xarray as xr

    from phenology.assess.support import SupportAnswers

RESULTS = "results"  # where a run goes inside its study, unless --out says otherwise


@dataclass(frozen=True)
class FinishedRun:
    """What a run left in its folder; everything large is read when it is first asked for.

    Attributes
    ----------
    folder : Path
        The run's own.
    options : StudyOptions
        study.toml as it was when the run was made, without its codes.
    summary : dict
        summary.json: `seed`, `versions`, `inputs`, `rows`, `answers`, `diagnostics`, …
    changed : tuple of str
        One sentence for each input that was changed, added or removed since; empty if nothing
        was, or if only the run's folder was given.
    """

    folder: Path
    options: StudyOptions
    summary: dict[str, Any]
    changed: tuple[str, ...]

    @property
    def draws(self) -> Mapping[str, Any]:
        """Draws by model, aligned by index along `draw`, numbers to seven digits.

        "season SPECIES WINDOW", "lean_mass", "birds" (its `bird` is the row of `captures`),
        "support_OUTCOME", and what `pack_support` laid out, after "support "; of several regions
        each after "REGION: ".
        """
        return read_draws(self.folder)

    @cached_property
    def estimates(self) -> pd.DataFrame:
        """Every answer, as `Assessment.estimates`; numbers to seven digits."""
        table = self._load("estimates.nc").to_dataframe()
        return table.reset_index(drop=True).astype({"birds": int})

    @cached_property
    def captures(self) -> pd.DataFrame:
        """Used captures, as `Assessment.captures`."""
        import pandas as pd

        try:
            return pd.read_parquet(self.folder / "captures.parquet")
        except (OSError, ValueError):
            raise self._damaged("captures.parquet") from None

    @cached_property
    def sites(self) -> pd.DataFrame:
        """Sites as the run shares them, sensitive ones coarsened."""
        import pandas as pd

        try:
            return pd.read_csv(self.folder / "tables" / "sites.csv")
        except (OSError, ValueError):
            raise self._damaged("tables/sites.csv") from None

    @cached_property
    def site_days(self) -> xr.Dataset:
        """Everything joined, as `Assessment.site_days`."""
        return self._load("site_days.nc")

    def _load(self, name: str) -> xr.Dataset:
        import xarray as xr

        try:
            return xr.load_dataset(self.folder / name, engine="h5netcdf")
        except (OSError, ValueError, KeyError, RuntimeError):
            raise self._damaged(name) from None

    def _damaged(self, name: str) -> StudyError:
        return StudyError(f"{name} of the run in {self.folder} is damaged.", "Run the study again.")

    @cached_property
    def support(self) -> SupportAnswers | None:
        """Fitted support models for scenarios and comparisons; None without any."""
        from phenology.assess.support_store import unpack_support

        draws = self.draws
        packed = {
            name.removeprefix(SUPPORT): draws[name] for name in draws if name.startswith(SUPPORT)
        }
        return unpack_support(packed) if len(packed) > 1 else None


def read_run(study: Path, out: Path | None = None) -> FinishedRun:
    """Open the finished run of a study.

    Parameters
    ----------
    study : Path
        The study's folder, or that of a run by itself (as it may have been shared).
    out : Path, optional
        The run's folder where it is not STUDY/results.

    Returns
    -------
    FinishedRun
        Tell its `changed` to the user before any of its numbers.

    Raises
    ------
    StudyError
        If there is no finished run, it cannot be read, or another version wrote it.
    """
    study = Path(study)
    is_study = (study / "study.toml").exists()
    folder = Path(out) if out else (study / RESULTS if is_study else study)
    again = f"Run 'site-support run {study}{f' --out {out}' if out else ''}'"
    if not (folder / "summary.json").exists():
        if out is None and not is_study:
            raise StudyError(
                f"{study} is no study folder and holds no finished run.",
                "Name the folder that has study.toml.",
            )
        where = "" if out is None else f" in {out}"
        raise StudyError(f"{study} has no finished run{where} yet.", f"{again} first.")
    try:
        summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
        version, inputs, declared = (summary[key] for key in ("schema", "inputs", "options"))
    except (OSError, ValueError, KeyError, TypeError):
        raise StudyError(f"The run in {folder} cannot be read.", f"{again} again.") from None
    if version != SCHEMA_VERSION or not has_draws(folder):
        raise StudyError(f"The run in {folder} was made by another version.", f"{again} again.")
    changed = changed_inputs(study, inputs) if is_study else ()
    return FinishedRun(folder, parse_options(declared), summary, changed)
