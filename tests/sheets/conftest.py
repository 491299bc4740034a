"""An invented study for tests of sheets."""

from collections.abc import Callable

import pytest
from invented_study import InventedStudy, invent_study


@pytest.fixture(scope="session")
def invent() -> Callable[[int, int], InventedStudy]:
    return invent_study


@pytest.fixture
def small() -> InventedStudy:
    return invent_study(150, 7)
