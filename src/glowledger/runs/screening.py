"""Tell frames to trend from flashes, dips and steps, causally: an odd frame waits until the frames after it decide."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from glowledger.runs.frame_counts import Floats, FrameCounts
from glowledger.runs.smooth_change import step_size

Kind = Literal["good", "flash", "dip", "step", "slow", "ramp", "out", "lit"]

RECENT = 30  # accepted frames remembered
LEVEL = 5  # of which the latest give the level
LONGEST = 5  # an excursion of more frames than this is a step
ODD = 6.0  # standard deviations, if two species jump together
VERY_ODD = 9.0  # if one does
FAINT = 0.1  # of the strongest rise of a flash: fainter ones may be its neighbours' misfit
STRONG = 0.05  # of all light: channels that tell by how much all light rose
ALIKE = 0.05  # of it: what rises so little more than the others rises with them
MAIN_STEP = 0.08  # relative change of the main light that matters
RAMP = 0.25  # relative change of the reference within some thirty frames that is no mere drift
OUT = 0.12  # of the usual light: plasma out
BEFORE = 10  # accepted frames with which a step is compared
CLEAR, SPECIES_CLEAR = 4.0, 5.0  # standard errors of a step of all light, and of one species among many


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Decided:
    """Frames that are decided together.

    Attributes
    ----------
    kind : {'good', 'flash', 'dip', 'step', 'slow', 'ramp', 'out', 'lit'}
        'step': conditions changed with the first of them; 'slow': species rose and stayed, without a step: a gas may
        be coming in; 'ramp': conditions have been changing until now; 'out': the
        plasma went out; 'lit': it burns again.
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
    recent_s : list of float
        Times of the accepted frames.
    waiting : list of FrameCounts
        Odd frames not yet decided.
    out : bool
        The plasma is out.
    lit : list of float
        Channel levels before the plasma went out.
    """

    main: int
    recent: list[list[float]] = field(default_factory=list)
    surprise: list[list[float]] = field(default_factory=list)
    recent_s: list[float] = field(default_factory=list)
    waiting: list[FrameCounts] = field(default_factory=list)
    out: bool = False
    lit: list[float] = field(default_factory=list)

    def take(self, frame: FrameCounts) -> list[Decided]:
        """Take in one usable frame (counts per second) and return what is decided now, oldest first."""
        values = frame.channels
        if self.out:
            return self._while_out(frame, values)
        if len(self.recent) < LEVEL:
            self._accept(frame)
            return [Decided(kind="good", frames=[frame])]
        if not self._odd(frame, values):
            done = self._settle()
            self._accept(frame)
            return [*done, self._ramp(frame) or Decided(kind="good", frames=[frame])]
        self.waiting.append(frame)
        return self._step() if len(self.waiting) > LONGEST else []

    def finish(self) -> list[Decided]:
        """Decide what still waits at the end of the run."""
        return self._settle()

    def _level(self) -> Floats:
        return middles(np.array(self.recent[-LEVEL:]))

    def _noise(self) -> Floats:
        if not self.surprise:
            return np.zeros(len(self.recent[0]))
        return 1.4826 * middles(np.abs(np.array(self.surprise)))

    def _scores(self, frame: FrameCounts, values: Floats) -> tuple[Floats, Floats]:
        """Return departures in standard deviations, and the levels.

        Of a line at the ceiling what is seen departs, however little is known of how bright it is.
        """
        level = self._level()
        error = frame.channel_errors
        few = 1.0 if len(self.surprise) >= 12 else 1.5
        spread = np.sqrt((few * self._noise()) ** 2 + error**2 + (0.01 * level) ** 2)
        return (values - level) * frame.channels_seen / np.where(spread > 0, spread, np.inf), level

    def _odd(self, frame: FrameCounts, values: Floats) -> list[int]:
        """Return the channels that are odd: none where the frame is as expected."""
        z, level = self._scores(frame, values)
        total = len(values) - 2
        if dark(values, level):
            return [total]
        z = np.nan_to_num(z)
        high = np.sort(z[:-2])[::-1]
        jumped = (len(high) > 1 and high[1] > ODD) or high[0] > VERY_ODD
        odd = [int(i) for i in np.flatnonzero(z[:-2] > ODD)] if jumped else []
        for channel in {self.main % len(values), total}:
            change = abs(values[channel] - level[channel])
            if abs(z[channel]) > ODD and change > MAIN_STEP * abs(level[channel]):
                odd.append(channel)
        if z[-1] > VERY_ODD and values[-1] - level[-1] > MAIN_STEP * abs(level[total]):
            odd.append(total + 1)
        return odd

    def _accept(self, frame: FrameCounts) -> None:
        values = frame.channels
        if len(self.recent) >= LEVEL:
            self.surprise = [*self.surprise[-RECENT + 1 :], (values - self._level()).tolist()]
        self.recent = [*self.recent[-RECENT + 1 :], values.tolist()]
        self.recent_s = [*self.recent_s[-RECENT + 1 :], frame.time_s]

    def _settle(self) -> list[Decided]:
        """The excursion is over: flash or dip."""
        if not self.waiting:
            return []
        frames, self.waiting = self.waiting, []
        alone = [f.channels - (self._common(f) - 1.0) * self._level() for f in frames]
        z = np.max([np.nan_to_num(self._scores(f, own)[0]) for f, own in zip(frames, alone, strict=True)], axis=0)
        rise = np.max([np.nan_to_num(own - self._level()) for own in alone], axis=0)
        least = FAINT * max((float(rise[i]) for i in np.flatnonzero(z[:-2] > ODD)), default=0.0)
        risen = [int(i) for i in np.argsort(-z[:-2]) if z[i] > ODD and rise[i] >= least]
        kind: Kind = "flash" if risen else "dip"
        return [Decided(kind=kind, frames=frames, risen=tuple(risen), before=self._level())]

    def _common(self, frame: FrameCounts) -> float:
        """Return the factor by which all strong light of a frame rose alike, at least 1: such a rise is no flash."""
        level = self._level()
        strong = np.flatnonzero(level[:-2] > STRONG * level[-2])
        if strong.size == 0:
            return 1.0
        least = float(np.nanmin(frame.channels[strong] / level[strong]))
        return max(least * (1.0 + ALIKE), 1.0) if least > 1.0 else 1.0

    def _step(self) -> list[Decided]:
        """The excursion stayed: new conditions, or plasma out."""
        frames, self.waiting = self.waiting, []
        stack = np.array([f.channels for f in frames])
        before, noise = self._level(), self._noise()
        after = middles(stack[-LEVEL:])
        if all(dark(row, before) for row in stack[-LEVEL:]):
            self.out, self.lit = True, before.tolist()
            return [Decided(kind="out", frames=frames, before=before, after=after, noise=noise)]
        slow = not self._steps(frames, stack)
        if slow and all(c >= stack.shape[1] - 2 for c in self._odd(frames[-1], stack[-1])):
            self._accept(frames[0])
            again = [decided for frame in frames[1:] for decided in self.take(frame)]
            return [Decided(kind="good", frames=frames[:1]), *again]
        self.recent, self.recent_s = stack[-LEVEL:].tolist(), [f.time_s for f in frames[-LEVEL:]]
        change = np.nan_to_num((after - before) / np.where(noise > 0, noise, np.inf))
        risen = tuple(int(i) for i in np.argsort(-change[:-2]) if change[i] > 3.0)
        kind: Kind = "slow" if slow else "step"
        return [Decided(kind=kind, frames=frames, risen=risen, before=before, after=after, noise=noise)]

    def _steps(self, frames: list[FrameCounts], stack: Floats) -> bool:
        """True if a channel that was odd steps: light that falls or rises smoothly has left its level, too."""
        rows = np.concatenate([np.array(self.recent[-BEFORE:]), stack])
        time_s = np.array([*self.recent_s[-BEFORE:], *(f.time_s for f in frames)])
        first, level = len(rows) - len(frames), self._level()
        for channel in {c for frame in frames for c in self._odd(frame, frame.channels)}:
            size, error = step_size(time_s, rows[:, channel], first)
            large = channel in (self.main % rows.shape[1], rows.shape[1] - 2)
            least = MAIN_STEP * abs(level[channel]) if large else 0.0
            if not abs(size) < max(least, (CLEAR if large else SPECIES_CLEAR) * error):  # not a number, too
                return True
        return False

    def _ramp(self, frame: FrameCounts) -> Decided | None:
        """The reference drifted away from where it was some thirty frames ago: too fast for a drift."""
        if self.main < 0 or len(self.recent) < RECENT:
            return None
        rows = np.array(self.recent)
        before, after = middles(rows[: 2 * LEVEL]), middles(rows[-LEVEL:])
        change = abs(after[self.main] - before[self.main])
        if change < RAMP * abs(before[self.main]) or change < ODD * self._noise()[self.main]:
            return None
        noise = self._noise()
        self.recent, self.recent_s = self.recent[-LEVEL:], self.recent_s[-LEVEL:]
        return Decided(kind="ramp", frames=[frame], before=before, after=after, noise=noise)

    def to_dict(self) -> dict[str, object]:
        """Return the state as plain numbers and lists."""
        return {
            "main": self.main,
            "recent": self.recent,
            "surprise": self.surprise,
            "recent_s": self.recent_s,
            "waiting": [frame.to_dict() for frame in self.waiting],
            "out": self.out,
            "lit": self.lit,
        }

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> Screen:
        """Rebuild the screen from `to_dict`."""
        return cls(**{**state, "waiting": [FrameCounts.from_dict(f) for f in state["waiting"]]})

    def _while_out(self, frame: FrameCounts, values: Floats) -> list[Decided]:
        if values[-2] < 2.5 * OUT * self.lit[-2]:
            held, self.waiting = self.waiting, []
            return [Decided(kind="dip", frames=[*held, frame], before=np.array(self.lit))]
        self.waiting.append(frame)
        if len(self.waiting) < LEVEL:
            return []
        frames, self.waiting = self.waiting, []
        self.recent, self.recent_s = [f.channels.tolist() for f in frames], [f.time_s for f in frames]
        self.out, self.surprise = False, []
        after = middles(np.array(self.recent))
        before = np.array(self.lit)
        return [Decided(kind="lit", frames=frames, before=before, after=after, noise=0 * before)]


def dark(values: Floats, level: Floats) -> bool:
    """True if there is next to no light, in all and in the strong lines: glare of arcs that ends leaves these."""
    usual = np.maximum(np.nan_to_num(level[:-2]), 0.0)
    strong = usual > STRONG * usual.sum()
    lines = np.nan_to_num(values[:-2])[strong].sum() > OUT * usual[strong].sum() if strong.any() else False
    return bool(values[-2] < OUT * level[-2] and not lines)


def middles(rows: Floats) -> Floats:
    """Return the median of each column, shape (s + 2,); values that are NaN count as high."""
    ordered = np.sort(rows, axis=0)
    return np.asarray(0.5 * (ordered[(len(rows) - 1) // 2] + ordered[len(rows) // 2]))
