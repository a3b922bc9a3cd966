"""What a run says: trends, flashes, regimes, alarms and the endpoint, as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

EndpointVerdict = Literal["reached", "approaching", "not reached", "cannot tell"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Trend:
    """One indicator over time.

    Attributes
    ----------
    name : str
        E.g. ``CO/Ar I``.
    time_s, value, standard_error : ndarray of shape (n,)
        NaN where the frame gives no answer.
    used : ndarray of bool, shape (n,)
        False for flashes, plasma-out frames and other frames set aside.
    """

    name: str
    time_s: NDArray[np.float64]
    value: NDArray[np.float64]
    standard_error: NDArray[np.float64]
    used: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Flash:
    """A burst of one to a few frames.

    Attributes
    ----------
    time_s, duration_s : float
        Start and length.
    species : tuple of str
        What rose, strongest first.
    """

    time_s: float
    duration_s: float
    species: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Regime:
    """A stretch of the run under one set of conditions.

    Attributes
    ----------
    start_s, end_s : float
        Limits.
    why : str
        What began it: ``start of the run``, ``all light stepped by 0.6``, ``plasma out``, ...
    """

    start_s: float
    end_s: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """Something the user should know of now.

    Attributes
    ----------
    kind : str
        ``saturated``, ``plasma out``, ``signal rising``, ``flash rate rising``, ``window fogging``, ...
    time_s : float
        When.
    text : str
        One plain sentence.
    """

    kind: str
    time_s: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Endpoint:
    """Is it clean yet; cannot be built without its reason.

    Attributes
    ----------
    verdict : {'reached', 'approaching', 'not reached', 'cannot tell'}
        The answer.
    time_s : float
        Estimated time at which the criterion was or will be met; NaN if unknown.
    interval_s : tuple of float
        95 % interval of `time_s`.
    declared_at_s : float
        Time of the frame at which 'reached' was first said; NaN otherwise.
    remaining_s : float
        Time left from the last frame; 0 when reached, NaN if unknown.
    remaining_interval_s : tuple of float
        95 % interval of `remaining_s`.
    indicator : str
        The indicator that decided.
    criterion : str
        In words and numbers.
    reason : str
        One plain sentence.
    """

    verdict: EndpointVerdict
    time_s: float
    interval_s: tuple[float, float]
    declared_at_s: float
    remaining_s: float
    remaining_interval_s: tuple[float, float]
    indicator: str
    criterion: str
    reason: str

    def __post_init__(self) -> None:
        if not self.reason:
            raise ValueError("an endpoint verdict needs its reason")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RunResult:
    """Everything a run says.

    Attributes
    ----------
    reference : str
        What the contaminants are divided by, e.g. ``Ar I``.
    reference_reason : str
        Why it was chosen.
    indicators : tuple of Trend
        Contaminant over reference.
    endpoints : dict of str to Endpoint
        One per indicator that has a decay to judge; `endpoint` is the slowest.
    flashes, regimes, alarms : tuple
        Events.
    endpoint : Endpoint
        The answer for the run.
    frames : int
        Frames read.
    duration_s : float
        From the first to the last frame.
    """

    reference: str
    reference_reason: str
    indicators: tuple[Trend, ...]
    endpoints: dict[str, Endpoint]
    flashes: tuple[Flash, ...]
    regimes: tuple[Regime, ...]
    alarms: tuple[Alarm, ...]
    endpoint: Endpoint
    frames: int
    duration_s: float
