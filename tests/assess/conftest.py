"""An invented study, its support models and a finished run of it."""

from functools import partial
from pathlib import Path

import pytest
from invented_support import assess_invented, invented_parts, write_finished


@pytest.fixture(scope="package")
def parts():
    return invented_parts()


@pytest.fixture(scope="package")
def assessed(parts, made_once):
    return made_once("assessed", partial(assess_invented, parts))


@pytest.fixture(scope="package")
def finished(tmp_path_factory, parts, assessed) -> Path:
    return write_finished(tmp_path_factory.mktemp("finished") / "study", parts, assessed[0])
