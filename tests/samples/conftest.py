"""Lets the tests of this folder import the simulator and the script of the samples."""

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for folder in (ROOT / "tests" / "simulators", ROOT / "sample_spectra"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))
