"""Print how many tests ran, by folder, and the share of lines that they ran, by package.

``python -m pytest --cov --cov-report=json:measured/coverage.json --junitxml=measured/tests.xml``,
then ``python tests/coverage_by_package.py measured``. Lines run only in child processes (commands,
long computation) do not count as run.
"""

import json
import sys
from collections import Counter, defaultdict
from pathlib import Path
from xml.etree import ElementTree as ET


def tests_by_folder(report: ET.Element) -> Counter[str]:
    """Tests run, by the folder that they stand in."""
    names = [case.get("classname", "") for case in report.iter("testcase")]
    return Counter("/".join(name.split(".")[:2]) for name in names)


def shares(measured: dict) -> dict[str, tuple[int, int]]:
    """Lines run and lines in all, by package."""
    by_package: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for name, file in measured["files"].items():
        counts = by_package[str(Path(name).parent)]
        counts[0] += file["summary"]["covered_lines"]
        counts[1] += file["summary"]["num_statements"]
    return {package: (ran, lines) for package, (ran, lines) in by_package.items()}


def main(folder: Path) -> None:
    tests = tests_by_folder(ET.parse(folder / "tests.xml").getroot())
    for name, count in sorted(tests.items()):
        print(f"{name:32} {count:6} tests")
    print(f"{'all':32} {tests.total():6} tests\n")
    by_package = shares(json.loads((folder / "coverage.json").read_text()))
    for package, (ran, lines) in sorted(by_package.items()):
        print(f"{package:32} {ran:6} of {lines:6} lines {ran / max(lines, 1):6.1%}")
    ran, lines = (sum(counts) for counts in zip(*by_package.values(), strict=True))
    print(f"{'all':32} {ran:6} of {lines:6} lines {ran / max(lines, 1):6.1%}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
