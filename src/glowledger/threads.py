"""One thread for linear algebra: the matrices here are small, and threads that wait for each other cost more.

On a machine that is busy otherwise, waiting threads had made a fit of one second take a minute. A number of threads
that is set for a whole machine (OMP_NUM_THREADS) is meant for large matrices and does not change that.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, wraps
from typing import ParamSpec, TypeVar

import numpy  # noqa: F401  the controller finds the libraries that are loaded when it is made
import scipy.linalg  # noqa: F401
from threadpoolctl import ThreadpoolController

_P = ParamSpec("_P")
_R = TypeVar("_R")


def one_thread(work: Callable[_P, _R]) -> Callable[_P, _R]:
    """Return `work` with linear algebra held to one thread while it runs."""

    @wraps(work)
    def held(*args: _P.args, **kwargs: _P.kwargs) -> _R:
        with _controller().limit(limits=1, user_api="blas"):
            return work(*args, **kwargs)

    return held


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()
