"""Sentences as paragraphs of a terminal, names as lists."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

_TOGETHER = re.compile(r"(?<=[A-Za-z]) (?=I{1,3}\b)|(?<=\d) (?=min\b|s\b|h\b|nm\b|%|K\b)")


def filled(sentences: Sequence[str], width: int) -> str:
    """Return the sentences wrapped, each on lines of its own; ``Ar I`` and ``9 min`` stay together."""
    held = [_TOGETHER.sub("\u00a0", s) for s in sentences if s]
    return "\n".join(textwrap.fill(s, width, subsequent_indent="  ") for s in held).replace("\u00a0", " ")


def listed(names: Sequence[str], most: int = 10) -> str:
    """Return ``a, b and c``; past `most` the rest are counted."""
    names = list(names)
    if len(names) > most:
        names = [*names[:most], f"{len(names) - most} more"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
