"""Tell frames to trend from flashes, dips and steps, causally: an odd frame waits until the frames after it decide."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Kind = Literal["good", "flash", "dip", "step", "out"]

RECENT = 30  # accepted frames remembered
LEVEL = 5  # of which the latest give the level
LONGEST = 5  # an excursion of more frames than this is a step
ODD = 6.0  # standard deviations, if two species jump together
VERY_ODD = 9.0  # if one does
MAIN_STEP = 0.08  # relative change of the main light that matters
OUT = 0.12  # of the usual light: plasma out


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FrameCounts:
    """One frame of a run.

    Attributes
    ----------
    time_s, exposure_s : float
        As recorded; NaN where unknown.
    counts, standard_error : ndarray of shape (s,)
        Per species; NaN where the frame has no answer.
    total, total_error, continuum : float
        Light above the dark, its standard error, its smooth part.
    shift_nm : float
        Drift of the axis.
    saturated : bool
        Pixels at the ceiling.
    """

    time_s: float
    exposure_s: float
    counts: Floats
    standard_error: Floats
    total: float
    total_error: float
    continuum: float
    shift_nm: float
    saturated: bool

    def per_second(self) -> FrameCounts:
        """Return the frame with counts per second of exposure, or itself where the exposure is unknown."""
        if not (np.isfinite(self.exposure_s) and self.exposure_s > 0):
            return self
        e = self.exposure_s
        return replace(
            self,
            counts=self.counts / e,
            standard_error=self.standard_error / e,
            total=self.total / e,
            total_error=self.total_error / e,
            continuum=self.continuum / e,
        )

    @property
    def usable(self) -> bool:
        """True if the frame has light and at least one species answer."""
        return bool(np.isfinite(self.total) and np.isfinite(self.counts).any())


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Decided:
    """Frames that are decided together.

    Attributes
    ----------
    kind : {'good', 'flash', 'dip', 'step', 'out'}
        'step': conditions changed with the first of them; 'out': the plasma went out.
    frames : list of FrameCounts
        In time order.
    risen : tuple of int
        Channels that rose, strongest first (species columns; s is total light, s + 1 the continuum).
    before, after : ndarray of shape (s + 2,)
        Levels, for steps.
    noise : ndarray of shape (s + 2,)
        Scatter of one frame about the level.
    """

    kind: Kind
    frames: list[FrameCounts]
    risen: tuple[int, ...] = ()
    before: Floats = field(default_factory=lambda: np.empty(0))
    after: Floats = field(default_factory=lambda: np.empty(0))
    noise: Floats = field(default_factory=lambda: np.empty(0))


@dataclass(slots=True, kw_only=True)
class Screen:
    """Causal screening of frames; holds the latest accepted levels and the frames not yet decided.

    Attributes
    ----------
    main : int
        Channel of the reference (the total-light channel before one is chosen).
    recent, surprise : list of list of float
        Channel values of accepted frames, and their departures from the level then.
    waiting : list of FrameCounts
        Odd frames not yet decided.
    out : bool
        The plasma is out.
    lit : float
        Total light while the plasma burned.
    """

    main: int
    recent: list[list[float]] = field(default_factory=list)
    surprise: list[list[float]] = field(default_factory=list)
    waiting: list[FrameCounts] = field(default_factory=list)
    out: bool = False
    lit: float = float("nan")

    def take(self, frame: FrameCounts) -> list[Decided]:
        """Take in one usable frame (counts per second) and return what is decided now, oldest first."""
        values = channels(frame)
        if self.out:
            return self._while_out(frame, values)
        if len(self.recent) < LEVEL:
            self._accept(values)
            return [Decided(kind="good", frames=[frame])]
        if not self._odd(frame, values):
            done = self._settle()
            self._accept(values)
            return [*done, Decided(kind="good", frames=[frame])]
        self.waiting.append(frame)
        return self._step() if len(self.waiting) > LONGEST else []

    def finish(self) -> list[Decided]:
        """Decide what still waits at the end of the run."""
        return self._settle()

    def _level(self) -> Floats:
        return np.asarray(np.nanmedian(np.array(self.recent[-LEVEL:]), axis=0))

    def _noise(self) -> Floats:
        if not self.surprise:
            return np.zeros(len(self.recent[0]))
        return 1.4826 * np.asarray(np.nanmedian(np.abs(np.array(self.surprise)), axis=0))

    def _scores(self, frame: FrameCounts, values: Floats) -> tuple[Floats, Floats]:
        """Return departures in standard deviations, and the levels."""
        level = self._level()
        error = channel_errors(frame)
        few = 1.0 if len(self.surprise) >= 12 else 1.5
        spread = np.sqrt((few * self._noise()) ** 2 + error**2 + (0.01 * level) ** 2)
        return (values - level) / np.where(spread > 0, spread, np.inf), level

    def _odd(self, frame: FrameCounts, values: Floats) -> bool:
        z, level = self._scores(frame, values)
        if values[-2] < OUT * level[-2]:
            return True
        z = np.nan_to_num(z)
        species = z[:-2]
        high = np.sort(species)[::-1]
        if (len(high) > 1 and high[1] > ODD) or high[0] > VERY_ODD:
            return True
        for channel in {self.main, len(values) - 2}:
            change = abs(values[channel] - level[channel])
            if abs(z[channel]) > ODD and change > MAIN_STEP * abs(level[channel]):
                return True
        return bool(z[-1] > VERY_ODD and values[-1] - level[-1] > MAIN_STEP * abs(level[-2]))

    def _accept(self, values: Floats) -> None:
        if len(self.recent) >= LEVEL:
            self.surprise = [*self.surprise[-RECENT + 1 :], (values - self._level()).tolist()]
        self.recent = [*self.recent[-RECENT + 1 :], values.tolist()]

    def _settle(self) -> list[Decided]:
        """The excursion is over: flash or dip."""
        if not self.waiting:
            return []
        frames, self.waiting = self.waiting, []
        z = np.max([np.nan_to_num(self._scores(f, channels(f))[0]) for f in frames], axis=0)
        risen = [int(i) for i in np.argsort(-z[:-2]) if z[i] > ODD]
        kind: Kind = "flash" if risen else "dip"
        return [Decided(kind=kind, frames=frames, risen=tuple(risen))]

    def _step(self) -> list[Decided]:
        """The excursion stayed: new conditions, or plasma out."""
        frames, self.waiting = self.waiting, []
        stack = np.array([channels(f) for f in frames])
        before, noise = self._level(), self._noise()
        after = np.asarray(np.nanmedian(stack[-LEVEL:], axis=0))
        if np.all(stack[-LEVEL:, -2] < OUT * before[-2]):
            self.out, self.lit = True, float(before[-2])
            return [Decided(kind="out", frames=frames, before=before, after=after, noise=noise)]
        self.recent = stack[-LEVEL:].tolist()
        change = np.nan_to_num((after - before) / np.where(noise > 0, noise, np.inf))
        risen = tuple(int(i) for i in np.argsort(-change[:-2]) if change[i] > 3.0)
        return [Decided(kind="step", frames=frames, risen=risen, before=before, after=after, noise=noise)]

    def _while_out(self, frame: FrameCounts, values: Floats) -> list[Decided]:
        if values[-2] < 2.5 * OUT * self.lit:
            held, self.waiting = self.waiting, []
            return [Decided(kind="dip", frames=[*held, frame])]
        self.waiting.append(frame)
        if len(self.waiting) < LEVEL:
            return []
        frames, self.waiting = self.waiting, []
        before = np.array(self.recent[-1])
        self.recent = [channels(f).tolist() for f in frames]
        self.out, self.surprise = False, []
        after = np.asarray(np.nanmedian(np.array(self.recent), axis=0))
        return [
            Decided(kind="step", frames=frames, before=np.zeros_like(before), after=after, noise=0 * before)
        ]


def channels(frame: FrameCounts) -> Floats:
    """Return species counts, total light and continuum as one array, shape (s + 2,)."""
    return np.append(frame.counts, [frame.total, frame.continuum])


def channel_errors(frame: FrameCounts) -> Floats:
    """Return the standard errors of `channels`, 0 where unknown."""
    error = np.append(frame.standard_error, [frame.total_error, frame.total_error])
    return np.nan_to_num(error, nan=0.0, posinf=0.0)
