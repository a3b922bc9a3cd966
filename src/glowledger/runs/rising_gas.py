"""Gases that come in slowly: what is neither followed as a contaminant nor divided by, and rises over many frames."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from glowledger.runs.frame_counts import FrameCounts
from glowledger.runs.ratios import WEAKEST

FIRST = 20  # frames under the present conditions whose mean is the first level
LATEST = 12  # frames whose mean is the present level
TIMES = 2.0  # of the first level: hotter or cooler electrons change ratios by less (common practice, no source)
CLEAR = 8.0  # standard errors of the difference: a dozen species are looked at in every frame
LEAST = 0.003  # of all light: less may be misfit of the others
AIR = ("N2", "N2+", "N I")


@dataclass(slots=True, kw_only=True)
class RisingGas:
    """What is remembered of each gas, over the reference.

    Attributes
    ----------
    first, latest : dict of str to list of float
        Ratios in the first frames under the present conditions, and in the last ones after them.
    """

    first: dict[str, list[float]] = field(default_factory=dict)
    latest: dict[str, list[float]] = field(default_factory=dict)

    def begin(self) -> None:
        """Forget the levels: what stepped has been told, or ratios before and after cannot be compared."""
        self.first, self.latest = {}, {}

    def look(
        self, names: tuple[str, ...], frame: FrameCounts, main: int, gases: Iterable[str]
    ) -> list[tuple[str, str]]:
        """Take in a frame, and say what has been rising.

        Parameters
        ----------
        names : tuple of str, length s
            Species.
        frame : FrameCounts
            Counts and errors per species, shape (s,).
        main : int
            Channel of the reference.
        gases : iterable of str
            Those to look at.

        Returns
        -------
        list of (str, str)
            Kind of the alarm and its words; the same again as long as it holds.
        """
        below, error = float(frame.channels[main]), float(frame.channel_errors[main])
        if not below > WEAKEST * error:
            return []
        said = []
        for name in gases:
            i = names.index(name)
            value = float(frame.counts[i]) / below
            if not np.isfinite(value):
                continue
            first = self.first.setdefault(name, [])
            if len(first) < FIRST:
                first.append(value)
                continue
            self.latest[name] = [*self.latest.get(name, [])[-LATEST + 1 :], value]
            stated = float(frame.standard_error[i]) / below
            if self._risen(name, stated, LEAST * frame.total / below):
                said.append(self._said(name))
        return said

    def _risen(self, name: str, stated: float, least: float) -> bool:
        before, after = np.array(self.first[name]), np.array(self.latest[name])
        if after.size < LATEST or after.mean() < max(least, TIMES * before.mean()):
            return False
        spread = np.hypot(*(max(float(part.std(ddof=1)), stated) / np.sqrt(part.size) for part in (before, after)))
        return bool(after.mean() - before.mean() > CLEAR * spread and after.min() > before.max())

    def _said(self, name: str) -> tuple[str, str]:
        before, after = float(np.mean(self.first[name])), float(np.mean(self.latest[name]))
        times = f"{after / before:.2g} times" if before > 0 and after < 100.0 * before else "many times"
        text = f"{name} has risen slowly to {times} what it was, over the reference, in the first {FIRST} frames"
        if name in AIR:
            return "possible air leak", f"{text}: a slow air leak, nitrogen let in, or gas from what gets hot."
        return f"{name} rising", f"{text}: gas that was let in or leaks in, or another state of the plasma."
