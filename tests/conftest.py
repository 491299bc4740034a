"""Shared by all tests."""

import os
import shutil

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Browser tests need Debian's Chromium: skipped without it, but never in CI."""
    if shutil.which("chromium") or os.environ.get("CI"):
        return
    missing = pytest.mark.skip(reason="no chromium on this machine: apt-get install chromium")
    for item in items:
        if item.get_closest_marker("browser"):
            item.add_marker(missing)
