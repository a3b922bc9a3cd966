"""The example package, installed once for the tests of this folder."""

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
if str(HERE) not in sys.path:
    sys.path.insert(0, str(HERE))


@pytest.fixture(scope="session")
def installed(tmp_path_factory):
    from installing import install

    return install(tmp_path_factory.mktemp("installed"))
