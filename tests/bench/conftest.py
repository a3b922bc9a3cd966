"""Lets the tests of this folder import the simulator of lamp spectra (no code of the calibration) and its lines."""

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
for folder in (HERE.parent / "simulators", HERE):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))
