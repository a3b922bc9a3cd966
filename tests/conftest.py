"""Settings for all tests: one thread per process, so that results and times do not hang on the machine's load."""

import os

from hypothesis import settings

os.environ.setdefault("OMP_NUM_THREADS", "1")

# No clock in tests: a busy machine is no fault of the code
settings.register_profile("no clock", deadline=None)
settings.load_profile("no clock")
