"""Check the tables of the example's run: an outcome of which nothing is told has broken silently.

python tests/example_answers.py REPORT
"""

import sys
from pathlib import Path

import xarray as xr

from phenology.assess.support_outcomes import OUTCOMES


def untold(report: Path) -> list[str]:
    """Outcomes that the example's sheets hold and no effect of which is told."""
    estimates = xr.load_dataset(report / "estimates.nc", engine="h5netcdf").to_dataframe()
    effects = estimates[(estimates["quantity"] == "effect") & (estimates["basis"] != "refused")]
    return sorted({outcome.quantity for outcome in OUTCOMES} - set(effects["outcome"]))


if __name__ == "__main__":
    missing = untold(Path(sys.argv[1]))
    sys.exit(f"the example no longer tells {', '.join(missing)}" if missing else 0)
