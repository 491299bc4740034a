"""Make an invented study: the shipped example, or a large one of many regions.

``python -m phenology.simulate FOLDER [--regions N] [--seed S]``
"""

import argparse
import sys
from pathlib import Path

from phenology.simulate.four_stations import write_example
from phenology.simulate.many_regions import simulate_regions


def main() -> None:
    """Read the command line and make the study."""
    parser = argparse.ArgumentParser(prog="python -m phenology.simulate", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--regions", type=int, help="of 8 stations and 20 seasons each")
    parser.add_argument("--seed", type=int, default=1, help="of a study of regions; default 1")
    asked = parser.parse_args()
    if asked.regions is None:
        write_example(asked.folder)
        return

    def told(what: str, share: float) -> None:
        sys.stderr.write(f"\r{what}, {share:.0%} done")

    simulate_regions(asked.folder, asked.regions, asked.seed, progress=told)
    sys.stderr.write("\n")


if __name__ == "__main__":
    main()
