"""Make the table of what was tried and what happened: ``python tests/trust/table.py [--quick]``.

Runs the tests of this folder, the slow ones too, and writes tried.csv beside them. ``-k WORDS``
tries a part of it, as pytest chooses tests; other rows of the table stay, with their date.
"""

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent

if __name__ == "__main__":
    asked = sys.argv[1:]
    marks = "not slow" if "--quick" in asked else "slow or not slow"
    part = asked[asked.index("-k") :][:2] if "-k" in asked else []
    table = str(HERE / "tried.csv")
    sys.exit(pytest.main([str(HERE), "-q", "-n", "0", "-m", marks, "--tried", table, *part]))
