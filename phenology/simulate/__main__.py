"""Make the example again: ``python -m phenology.simulate FOLDER``."""

import sys
from pathlib import Path

from phenology.simulate.four_stations import write_example

if __name__ == "__main__":
    write_example(Path(sys.argv[1]))
