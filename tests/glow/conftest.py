"""Lets the tests of this folder import the simulator of glows, which shares no code with the product."""

import sys
from pathlib import Path

SIMULATORS = Path(__file__).resolve().parents[1] / "simulators"
if str(SIMULATORS) not in sys.path:
    sys.path.insert(0, str(SIMULATORS))
