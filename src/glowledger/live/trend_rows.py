"""The trends of a run in bounded memory: as many rows as a screen can show, however long the run is."""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from glowledger.runs.run_options import Point

MOST = 600  # rows; then neighbours are joined in pairs. A figure is some 1000 pixels wide
ASIDE = 200  # frames set aside that are kept, latest ones
FIRST = 5  # frames that make the first level, as in the figures of a finished run
NORMAL_95 = 1.96  # standard errors to either side of a 95 % interval of a normal distribution


@dataclass(slots=True)
class _Row:
    """Sums over the frames of one row: frames, times, and per indicator frames, values and variances."""

    frames: int = 0
    time: float = 0.0
    sums: dict[str, list[float]] = field(default_factory=dict)

    def add(self, point: Point) -> None:
        self.frames += 1
        self.time += point.time_s
        for name, value in point.values.items():
            error = point.errors[name]
            if math.isfinite(value) and math.isfinite(error):
                kept = self.sums.setdefault(name, [0.0, 0.0, 0.0])
                kept[0] += 1
                kept[1] += value
                kept[2] += error**2

    def join(self, other: _Row) -> None:
        self.frames += other.frames
        self.time += other.time
        for name, more in other.sums.items():
            kept = self.sums.setdefault(name, [0.0, 0.0, 0.0])
            for i in range(3):
                kept[i] += more[i]


class TrendRows:
    """Means of used frames in rows of equal length, and the latest frames set aside.

    Attributes
    ----------
    epoch : int
        Rises whenever rows that were told of have changed; those who have them must take all anew.
    per_row : int
        Frames in a full row; doubled whenever the rows become too many.
    first : dict of str to list of float
        Per indicator the first used values, at most `FIRST`.
    """

    def __init__(self, most: int = MOST) -> None:
        """Begin without frames."""
        self._most = most
        self._rows: list[_Row] = []
        self._aside: deque[tuple[float, dict[str, float]]] = deque(maxlen=ASIDE)
        self.epoch = 0
        self.per_row = 1
        self.first: dict[str, list[float]] = {}
        self.aside_count = 0

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self._rows)

    def replace(self, points: Iterable[Point]) -> None:
        """Forget everything and take these points: the run was measured anew."""
        self._rows, self.first, self.per_row = [], {}, 1
        self._aside.clear()
        self.aside_count += 1
        self.epoch += 1
        self.add(points)

    def add(self, points: Iterable[Point]) -> None:
        """Take in decided frames in the order they were decided."""
        for point in points:
            if not point.used:
                self._aside.append((point.time_s, {n: v for n, v in point.values.items() if math.isfinite(v)}))
                self.aside_count += 1
                continue
            for name, value in point.values.items():
                first = self.first.setdefault(name, [])
                if len(first) < FIRST and math.isfinite(value):
                    first.append(value)
                    self.epoch += 1  # the level that all is drawn as a part of
            if not self._rows or self._rows[-1].frames >= self.per_row:
                self._rows.append(_Row())
            self._rows[-1].add(point)
            if len(self._rows) > self._most:
                self._halve()

    def _halve(self) -> None:
        """Join the rows in pairs; a last one without a partner goes on being filled."""
        for left, right in zip(self._rows[::2], self._rows[1::2], strict=False):
            left.join(right)
        self._rows = self._rows[::2]
        self.per_row *= 2
        self.epoch += 1

    def level(self, name: str) -> float:
        """Return the first level of an indicator, which it is drawn as a part of; 1 where it is not positive."""
        first = self.first.get(name)
        level = statistics.median(first) if first else 1.0
        return level if level > 0 else 1.0

    def rows(self, names: Iterable[str], start: int = 0) -> dict[str, object]:
        """Return rows from one on: times, and per indicator mean and half of its 95 % interval.

        Returns
        -------
        dict
            ``time_s``, ``value`` and ``half`` (by name), as parts of the first level; None where there is none.
        """
        part = self._rows[start:]
        value: dict[str, list[float | None]] = {}
        half: dict[str, list[float | None]] = {}
        for name in names:
            level = self.level(name)
            sums = [row.sums.get(name) for row in part]
            value[name] = [None if s is None else _short(s[1] / s[0] / level) for s in sums]
            half[name] = [None if s is None else _short(NORMAL_95 * math.sqrt(s[2]) / s[0] / level) for s in sums]
        return {"time_s": [_short(row.time / row.frames) for row in part], "value": value, "half": half}

    def aside(self, names: Iterable[str]) -> dict[str, dict[str, list[float]]]:
        """Return the frames set aside, per indicator times and values as parts of the first level."""
        found: dict[str, dict[str, list[float]]] = {}
        for name in names:
            kept = [(t, values[name]) for t, values in self._aside if name in values]
            level = self.level(name)
            found[name] = {"time_s": [_short(t) for t, _ in kept], "value": [_short(v / level) for _, v in kept]}
        return found


def _short(number: float) -> float:
    return float(f"{number:.6g}")
