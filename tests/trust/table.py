"""Make the table of what was tried and what happened: ``python tests/trust/table.py [--quick]``.

Runs the tests of this folder, the slow ones too, and writes tried.csv beside them.
"""

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent

if __name__ == "__main__":
    marks = "not slow" if "--quick" in sys.argv[1:] else "slow or not slow"
    table = str(HERE / "tried.csv")
    sys.exit(pytest.main([str(HERE), "-q", "-n", "0", "-m", marks, "--tried", table]))
