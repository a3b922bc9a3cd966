"""Invented results for all tests of this folder."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from invented_results import invented_fit, invented_run


@pytest.fixture
def fit():
    return invented_fit()


@pytest.fixture
def make_fit():
    return invented_fit


@pytest.fixture
def make_run():
    return invented_run
