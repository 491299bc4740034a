"""Nothing is skipped silently in CI: these tests' own rules, tried on tests that skip."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SKIPS = {
    "test_one.py": "import pytest\n\ndef test_it():\n    pytest.skip('no such device')\n",
    "test_mark.py": (
        "import pytest\n\n@pytest.mark.skipif(True, reason='no such device')\n"
        "def test_it():\n    pass\n"
    ),
    "test_library.py": "import pytest\n\npytest.importorskip('no_such_library')\n",
    "test_file.py": (
        "import pytest\n\npytest.skip('no such device', allow_module_level=True)\n"
        "def test_it():\n    pass\n"
    ),
}


@pytest.mark.parametrize("in_ci", [True, False])
def test_a_skip_is_a_failure_in_ci_alone(tmp_path: Path, in_ci: bool) -> None:
    shutil.copy(Path(__file__).with_name("conftest.py"), tmp_path)
    (tmp_path / "test_done.py").write_text("def test_it():\n    pass\n")
    for name, text in SKIPS.items():
        (tmp_path / name).write_text(text)
    outer = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}
    told = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "--continue-on-collection-errors"],
        env=outer | {"CI": "true" if in_ci else ""},
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    *_, summary = told.stdout.splitlines()
    assert "1 passed" in summary, told.stdout
    if in_ci:
        assert told.returncode == 1
        assert told.stdout.count("skipped in CI") >= len(SKIPS)
        assert "1 failed" in summary
        assert "3 errors" in summary  # at set-up and at collection
    else:
        assert told.returncode == 0
        assert "4 skipped" in summary
