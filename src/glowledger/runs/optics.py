"""State of window and spectrometer: a fogging window, a spectrometer that moved."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from glowledger.runs.frame_counts import FrameCounts

# Process gases by where their light lies; a film on the window takes the short waves first (common practice)
BLUE = ("N2", "N2+", "NO", "O2+")
RED = ("Ar I", "O I", "Ne I", "He I")
FIRST = 10  # frames whose mean is the clean window
FALL = 0.25  # of ln of the blue light below which nothing is called
STEEPER = 1.3  # the blue has to fall this much faster than the red
APART = 0.2  # of ln: by so much the short-wave light of one gas has to fall more than its long-wave light
OWN_CLEAR = 6.0  # standard errors of that
BRIGHTER = 0.05  # of ln: where the long-wave light of a gas rises by more, its plasma is another
FOGGING = "window fogging"  # the kind of the alarm
LATEST = 30  # shifts remembered
AFTER = 5  # of which the latest are the present place
LEAST_JUMP_NM = 0.2


@dataclass(slots=True, kw_only=True)
class Optics:
    """What is remembered of the light by colour, and of the axis.

    Attributes
    ----------
    first, latest : list of list of float
        ln of blue and red light: of the first frames under the present conditions, and of the last ones.
    own_first, own_latest : list of list of float
        The same of short-wave and long-wave light of one gas, where that is measured.
    shifts_nm : list of float
        Latest drifts of the axis.
    """

    first: list[list[float]] = field(default_factory=list)
    latest: list[list[float]] = field(default_factory=list)
    own_first: list[list[float]] = field(default_factory=list)
    own_latest: list[list[float]] = field(default_factory=list)
    shifts_nm: list[float] = field(default_factory=list)

    def begin(self) -> None:
        """Forget the colours: new conditions."""
        self.first, self.latest, self.own_first, self.own_latest = [], [], [], []

    def look(self, names: tuple[str, ...], frame: FrameCounts, main: int) -> str:
        """Take in a frame; return what to say of the window, or ''."""
        of_one_gas = self._look_at_one(frame)
        return self._look_at_all(names, frame, main) or of_one_gas

    def _look_at_one(self, frame: FrameCounts) -> str:
        """Hold short-wave against long-wave light of one gas, whose amount does not matter then."""
        if not np.all(frame.shades > 0.0):  # unknown, or lost in noise
            return ""
        ends = _ends(self.own_first, self.own_latest, np.log(frame.shades).tolist())
        if ends is None:
            return ""
        before, after = ends
        short, long = before.mean(axis=0) - after.mean(axis=0)
        spread = np.sqrt(sum(np.var(part[:, 0] - part[:, 1], ddof=1) for part in (before, after)) / FIRST)
        clear = short - long > max(APART, OWN_CLEAR * float(spread))
        if not clear or short < STEEPER * long or long < -BRIGHTER:
            return ""
        return (
            f"Short-wave light of the gas fell by {100 * (1 - np.exp(-short)):.0f} %, its long-wave light by "
            f"{max(100 * (1 - np.exp(-long)), 0.0):.0f} %: a film may be growing on the window, or the plasma changed. "
            "What is divided by light of longer waves seems to fall with it."
        )

    def _look_at_all(self, names: tuple[str, ...], frame: FrameCounts, main: int) -> str:
        blue = sum(float(frame.counts[names.index(n)]) for n in BLUE if n in names and self._strong(names, frame, n))
        red = sum(float(frame.counts[names.index(n)]) for n in RED if n in names and self._strong(names, frame, n))
        if blue <= 0 or red <= 0 or main < 0:
            return ""
        ends = _ends(self.first, self.latest, [float(np.log(blue)), float(np.log(red))])
        if ends is None:
            return ""
        before, after = ends
        fall = np.median(before, axis=0) - np.median(after, axis=0)
        noise = 1.4826 * np.median(np.abs(before - np.median(before, axis=0)), axis=0)
        clear = fall > np.maximum(3.0 * noise, [FALL, 0.03])
        if not clear.all() or fall[0] < STEEPER * fall[1]:
            return ""
        return (
            f"Short-wave light fell by {100 * (1 - np.exp(-fall[0])):.0f} %, long-wave light by "
            f"{100 * (1 - np.exp(-fall[1])):.0f} %: "
            "a film may be growing on the window; ratios of lines far apart drift."
        )

    def film_words(self) -> str:
        """Return by how much short-wave light was lost beyond long-wave light under these conditions, '' if unknown."""
        for first, latest in ((self.own_first, self.own_latest), (self.first, self.latest)):
            if latest:
                short, long = np.median(first, axis=0) - np.median(latest, axis=0)
                return f"{100 * (1 - np.exp(min(long - short, 0.0))):.0f} %"
        return ""

    @staticmethod
    def _strong(names: tuple[str, ...], frame: FrameCounts, name: str) -> bool:
        i = names.index(name)
        return bool(frame.counts[i] > 5 * frame.standard_error[i] and frame.counts[i] > 0.01 * frame.total)

    def drifted(self, shift_nm: float) -> str:
        """Take in the drift of a frame; return what to say if the axis jumped, or ''."""
        if not np.isfinite(shift_nm):
            return ""
        self.shifts_nm = [*self.shifts_nm[-LATEST + 1 :], float(shift_nm)]
        if len(self.shifts_nm) < LATEST // 2:
            return ""
        before, after = np.array(self.shifts_nm[:-AFTER]), np.array(self.shifts_nm[-AFTER:])
        jump = float(np.median(after) - np.median(before))
        width = 1.4826 * float(np.median(np.abs(before - np.median(before))))
        steady = float(np.ptp(after)) < 0.5 * abs(jump) + 6 * width
        if abs(jump) < max(8 * width, LEAST_JUMP_NM) or not steady:
            return ""
        self.shifts_nm = self.shifts_nm[-AFTER:]
        return f"spectrometer moved (its axis jumped by {jump:+.2f} nm)"


def _ends(
    first: list[list[float]], latest: list[list[float]], pair: list[float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Take in a pair, and return the first and the latest ones, shape (FIRST, 2) each; None while these are too few."""
    if len(first) < FIRST:
        first.append(pair)
        return None
    latest[:] = [*latest[-FIRST + 1 :], pair]
    return (np.array(first), np.array(latest)) if len(latest) == FIRST else None
