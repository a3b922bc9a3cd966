"""How far long work has come: computation tells it, and whoever shows it listens. Without a listener all is silent."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_LISTENER: ContextVar[Callable[[float], None] | None] = ContextVar("listener", default=None)
_SPAN: ContextVar[tuple[float, float]] = ContextVar("span", default=(0.0, 1.0))


def tell(part: float) -> None:
    """Say which part of the work at hand is done.

    Parameters
    ----------
    part : float
        0 to 1, of the innermost `share`.
    """
    listener = _LISTENER.get()
    if listener is not None:
        start, width = _SPAN.get()
        listener(start + width * min(max(part, 0.0), 1.0))


@contextmanager
def share(low: float, high: float) -> Iterator[None]:
    """Give what is done inside its share of the work around it, and tell when it is done.

    Parameters
    ----------
    low, high : float
        0 to 1: from where to where the surrounding work comes meanwhile; guesses of the usual times.
    """
    start, width = _SPAN.get()
    token = _SPAN.set((start + width * low, width * (high - low)))
    try:
        yield
    finally:
        _SPAN.reset(token)
    tell(high)


@contextmanager
def listening(listener: Callable[[float], None]) -> Iterator[None]:
    """Have `listener` called with the part of all work that is done, 0 to 1, while the block runs.

    Never with less than before: work that is begun anew, as by a fit from another guess, has come no less far.
    """
    most = 0.0

    def onwards(part: float) -> None:
        nonlocal most
        most = max(most, part)
        listener(most)

    token = _LISTENER.set(onwards)
    try:
        yield
    finally:
        _LISTENER.reset(token)
