"""Time of each frame: missing, repeated, late and jumping timestamps are mended where that is safe, and always said."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Ruling = Literal["good", "repeated", "late"]
MEMORY = 15  # intervals remembered for the usual cadence
PATIENCE = 3  # frames in a row from the past after which the clock, not the order, is at fault


@dataclass(slots=True, kw_only=True)
class RunClock:
    """Turns timestamps as recorded into run time that only grows.

    Attributes
    ----------
    last_raw_s, last_s : float
        Recorded and run time of the last good frame.
    offset_s : float
        Added to recorded times since the last clock jump.
    intervals_s : list of float
        Latest intervals between good frames.
    late : int
        Frames in a row that lay in the past.
    late_raw_s : float
        Recorded time of the last of them.
    """

    last_raw_s: float = float("nan")
    last_s: float = float("nan")
    offset_s: float = 0.0
    intervals_s: list[float] = field(default_factory=list)
    late: int = 0
    late_raw_s: float = float("nan")

    @property
    def cadence_s(self) -> float:
        """Usual interval between frames; 1 s before any is known."""
        return float(np.median(self.intervals_s)) if self.intervals_s else 1.0

    def place(self, raw_s: float) -> tuple[float, Ruling, str]:
        """Give a recorded time its place in the run.

        Parameters
        ----------
        raw_s : float
            Recorded time, s; NaN if missing.

        Returns
        -------
        time_s : float
            Run time; meaningless unless the ruling is 'good'.
        ruling : {'good', 'repeated', 'late'}
            'repeated': same time as the last frame; 'late': belongs to the past; both are left out.
        alarm : str
            Kind of alarm, '' for none: 'times unknown' (of no frame so far), 'time missing', 'time repeated', 'frame
            out of order', 'clock jumped back', 'gap'.
        """
        if not math.isfinite(raw_s):
            first = math.isnan(self.last_s)
            now = 0.0 if first else self.last_s + self.cadence_s
            self.last_raw_s, self.last_s = now - self.offset_s, now
            return now, "good", "time missing" if self.intervals_s else "" if first else "times unknown"
        if math.isnan(self.last_s):
            self.last_raw_s, self.last_s = raw_s, raw_s + self.offset_s
            return self.last_s, "good", ""
        step = raw_s - self.last_raw_s
        if step == 0:
            return self.last_s, "repeated", "time repeated"
        if step < 0:
            return self._from_the_past(raw_s)
        self.late = 0
        alarm = "gap" if len(self.intervals_s) >= 5 and step > 20 * self.cadence_s else ""
        if not alarm:
            self.intervals_s = [*self.intervals_s[-MEMORY + 1 :], step]
        self.last_raw_s, self.last_s = raw_s, raw_s + self.offset_s
        return self.last_s, "good", alarm

    def _from_the_past(self, raw_s: float) -> tuple[float, Ruling, str]:
        """Late frame, or a clock set back: told apart by whether the frames after it go on from there."""
        goes_on = self.late > 0 and raw_s > self.late_raw_s
        self.late = self.late + 1 if goes_on else 1
        self.late_raw_s = raw_s
        if self.late < PATIENCE:
            return self.last_s, "late", "frame out of order"
        now = self.last_s + PATIENCE * self.cadence_s
        self.offset_s, self.last_raw_s, self.last_s, self.late = now - raw_s, raw_s, now, 0
        return now, "good", "clock jumped back"


def reading_order(time_s: NDArray[np.float64]) -> tuple[NDArray[np.intp], bool]:
    """Return the order in which a finished recording should be read, and whether it was changed.

    Single frames that were stored late are put in their place. A clock that was set back and went on from there
    is left alone for `RunClock` to mend, because sorting would shuffle two stretches of the run into each other.

    Parameters
    ----------
    time_s : ndarray of shape (n,)
        Recorded times; NaN stays where it is.

    Returns
    -------
    order : ndarray of int, shape (n,)
    changed : bool
    """
    n = len(time_s)
    same = np.arange(n)
    known = np.flatnonzero(np.isfinite(time_s))
    t = time_s[known]
    back = np.flatnonzero(np.diff(t) < 0)
    if len(back) == 0:
        return same, False
    highest = np.maximum.accumulate(t)
    behind = t < highest  # frames recorded before one that came earlier
    longest = max((len(run) for run in np.split(np.flatnonzero(behind), _breaks(np.flatnonzero(behind)))), default=0)
    if longest >= max(PATIENCE + 2, 6) and len(back) < 3:
        return same, False
    order = same.copy()
    order[known] = known[np.argsort(t, kind="stable")]
    return order, True


def _breaks(index: NDArray[np.intp]) -> NDArray[np.intp]:
    return np.flatnonzero(np.diff(index) > 1) + 1


WORDS = {
    "times unknown": "No frame has told its time: each counts as one second, so times and rates are those of frames, "
    "not of a clock. State the time between frames with --interval SECONDS.",
    "time missing": "A frame has no time; it is placed one usual interval after the one before.",
    "time repeated": "A frame has the same time as the one before and is left out, as every such frame is.",
    "frame out of order": "A frame is older than the one before it and is left out.",
    "clock jumped back": "The clock was set back; times after it are moved up so that the run goes on.",
    "gap": "Frames are missing for much longer than the usual interval, the clock was set forward, or another run "
    "begins.",
}
