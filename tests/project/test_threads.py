"""Linear algebra keeps to one thread inside our work, whatever the machine is set to, and gets its threads back."""

import os
import subprocess
import sys

import pytest

ASK = """
import numpy, scipy.linalg
from threadpoolctl import threadpool_limits, threadpool_info
from glowledger.threads import one_thread
count = lambda: {p["num_threads"] for p in threadpool_info() if p["user_api"] == "blas"}
threadpool_limits(limits=2, user_api="blas")
before, inside = count(), one_thread(count)()
try:
    one_thread(lambda: 1 / 0)()
except ZeroDivisionError:
    pass
print(max(before), max(inside), max(count()))
"""


@pytest.mark.parametrize("chosen", [None, "2"])
def test_threads_are_held_and_given_back(chosen):
    kept = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    environment = kept if chosen is None else kept | {"OPENBLAS_NUM_THREADS": chosen}
    said = subprocess.run([sys.executable, "-c", ASK], env=environment, capture_output=True, text=True, check=True)
    assert said.stdout.split() == ["2", "1", "2"]
