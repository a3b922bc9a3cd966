"""Cautions and material hints for gases that are compared, as sentences."""

from __future__ import annotations

from collections.abc import Sequence

from glowledger.diagnose.cautions import DEFER, cautions, material_hints
from glowledger.diagnose.feed import Feed


def gas_cautions(feeds: Sequence[Feed | None]) -> list[str]:
    """Return each caution for any of the feeds once; nothing if no gas is stated."""
    known = [feed for feed in feeds if feed is not None]
    said = [c.text for feed in known for c in cautions(feed)]
    hints = [text for feed in known for text in material_hints(feed)]
    return list(dict.fromkeys([*said, *hints, *([DEFER] if known else [])]))
