"""Print the share of lines that tests ran, by package, from the file that coverage wrote.

``python -m pytest --cov --cov-report=json:coverage.json && python tests/coverage_by_package.py``
"""

import json
import sys
from collections import defaultdict
from pathlib import Path


def shares(measured: dict) -> dict[str, tuple[int, int]]:
    """Lines run and lines in all, by package."""
    by_package: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for name, file in measured["files"].items():
        counts = by_package[str(Path(name).parent)]
        counts[0] += file["summary"]["covered_lines"]
        counts[1] += file["summary"]["num_statements"]
    return {package: (ran, lines) for package, (ran, lines) in by_package.items()}


def main(path: Path) -> None:
    for package, (ran, lines) in sorted(shares(json.loads(path.read_text())).items()):
        print(f"{package:32} {ran:6} of {lines:6} lines {ran / max(lines, 1):6.1%}")


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "coverage.json"))
