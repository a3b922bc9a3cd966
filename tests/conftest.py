"""Settings for all tests: one thread per process, so that results and times do not hang on the machine's load."""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
