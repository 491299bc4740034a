"""A small served study."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from served_page import Served, served_folder

BIRDS = [
    {
        "site": "fork",
        "date": f"2031-07-{10 + number:02d}",
        "time": "08:30",
        "band": f"TEST-{number % 7:05d}",
        "species": "Selasphorus rufus",
        "age": "adult",
        "sex": "male",
        "mass_g": "3.3",
    }
    for number in range(12)
]


@pytest.fixture
def served(write_study: Callable[..., Path]) -> Iterator[Served]:
    with served_folder(write_study(captures=[*BIRDS, {**BIRDS[0], "site": "frok"}])) as page:
        page.enter()
        yield page
