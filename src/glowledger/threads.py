"""One thread for linear algebra: the matrices here are small, and threads that wait for each other cost more.

On a machine that is busy otherwise, waiting threads had made a fit of one second take a minute.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import cache, wraps
from typing import ParamSpec, TypeVar

import numpy  # noqa: F401  the controller finds the libraries that are loaded when it is made
import scipy.linalg  # noqa: F401
from threadpoolctl import ThreadpoolController

_P = ParamSpec("_P")
_R = TypeVar("_R")
CHOSEN_BY_USER = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def one_thread(work: Callable[_P, _R]) -> Callable[_P, _R]:
    """Return `work` with linear algebra held to one thread while it runs; whoever set a number himself is obeyed."""

    @wraps(work)
    def held(*args: _P.args, **kwargs: _P.kwargs) -> _R:
        if any(name in os.environ for name in CHOSEN_BY_USER):
            return work(*args, **kwargs)
        with _controller().limit(limits=1, user_api="blas"):
            return work(*args, **kwargs)

    return held


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()
