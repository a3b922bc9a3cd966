"""The terminal view of a run being followed: a few lines that are drawn over, with progress and time left."""

from __future__ import annotations

import math
import shutil
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from glowledger.live.glow_seen import GlowSeen
from glowledger.live.lines import Write, frame_text, verdict_text
from glowledger.report.numbers import clock
from glowledger.report.sentences import NO_INTERLOCK
from glowledger.rounding import plus_minus

BAR = 40  # characters at most
EVENTS = 4  # latest ones shown
SILENT_S = 10.0  # without a frame, after which it is said


class View:
    """Draws the state of a run over itself, on a terminal; see `following.Listener`.

    Parameters
    ----------
    write : callable
        Takes text as it is; ECMA-48 control sequences move the cursor.
    title : str
        What is followed.
    """

    def __init__(self, write: Write, title: str) -> None:
        """Draw the first view."""
        self._write = write
        self._title = title
        self._drawn = 0
        self._number = 0
        self._line: dict[str, Any] = {"state": "learning"}
        self._events: list[str] = []
        self._flashes = 0
        self._glows: tuple[GlowSeen, ...] = ()
        self._draw(0.0)

    def frame(self, number: int, line: dict[str, Any]) -> None:
        """Show a frame."""
        before = self._line
        self._number, self._line = number, line
        if not line.get("indicators") and before.get("indicators"):
            self._line = {**line, "indicators": before["indicators"]}
        self._flashes = line.get("flash_count", self._flashes)
        self._events += [f"{clock(line['time_s'])}, {a['kind']}: {a['text']}" for a in line.get("alarms", [])]
        if line["state"] == "unreadable":
            self._line = {**before, "state": "unreadable"}
            self._events.append(frame_text(number, line).strip())
        self._draw(0.0)

    def notice(self, text: str) -> None:
        """Show a notice."""
        self._events.append(text)
        self._draw(0.0)

    def glows(self, seen: tuple[GlowSeen, ...]) -> None:
        """Show what glows and what that may mean."""
        if seen != self._glows:
            self._glows = seen
            self._draw(0.0)

    def waiting(self, since_s: float) -> None:
        """Show that nothing came."""
        if since_s > SILENT_S:
            self._draw(since_s)

    def _draw(self, silent_s: float) -> None:
        width, rows = shutil.get_terminal_size()
        self._events = self._events[-EVENTS:]
        lines = view_lines(
            self._title, self._number, self._line, self._events, flashes=self._flashes,
            glow=[line for one in self._glows[-1:] for line in one.brief()], silent_s=silent_s, width=width,
        )  # fmt: skip
        lines = lines[: max(rows - 1, 1)]  # what has scrolled away cannot be drawn over
        up = f"\x1b[{self._drawn}F" if self._drawn else ""
        self._write(up + "".join(f"\x1b[2K{line}\n" for line in lines) + "\x1b[J")
        self._drawn = len(lines)


def view_lines(
    title: str,
    number: int,
    line: Mapping[str, Any],
    events: list[str],
    *,
    flashes: int = 0,
    glow: Sequence[str] = (),
    silent_s: float = 0.0,
    width: int = 80,
) -> list[str]:
    """Return the view as lines no wider than the terminal.

    Parameters
    ----------
    title : str
        What is followed.
    number : int
        Frames taken.
    line : mapping
        Of the latest frame.
    events : list of str
        Latest alarms and notices.
    flashes : int
        In the run so far.
    glow : sequence of str
        What glows and what that may mean, in short.
    silent_s : float
        Time without a frame.
    width : int
        Columns of the terminal.
    """
    time_s = line.get("time_s")
    when = f", {clock(time_s)}" if time_s is not None else ""
    said = [f"{title}: {number} frame{'s' if number != 1 else ''}{when}", verdict_text(line)]
    part = progress(line)
    if part is not None:
        said.append(f"{bar(part, min(BAR, width - 10))} {100 * part:.0f} %")
    said += [f"  {name:12s} {plus_minus(v, e)}" for name, (v, e) in line.get("indicators", {}).items()]
    said += [f"{flashes} flash{'es' if flashes > 1 else ''} so far"] if flashes else []
    said += [f"No frame for {clock(silent_s)}."] if silent_s > SILENT_S else []
    for text in [*glow, *events, NO_INTERLOCK, "End with Ctrl-C; started again, it goes on from here."]:
        said += textwrap.wrap(text, max(width - 1, 20), subsequent_indent="  ")
    return [text[: max(width - 1, 1)] for text in said]


def progress(line: Mapping[str, Any]) -> float | None:
    """Return which part of the time to the endpoint has passed; None where the end is not foreseen."""
    if line.get("verdict") == "reached":
        return 1.0
    time_s, left = line.get("time_s"), line.get("remaining_s")
    if line.get("verdict") != "approaching" or time_s is None or left is None:
        return None
    passed = time_s - line.get("first_s", 0.0)
    if not (math.isfinite(passed) and math.isfinite(left)) or passed + left <= 0:
        return None
    return min(max(passed / (passed + left), 0.0), 0.99)


def bar(part: float, width: int) -> str:
    """Return a bar that is filled to a part."""
    full = round(part * width)
    return f"[{'#' * full}{'.' * (width - full)}]"
