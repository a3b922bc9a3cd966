"""Many files written alike, read as one: the way of a file is found out once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np

from glowledger.spectra.decoding import SourceText, decode, load_bytes
from glowledger.spectra.dialect import Dialect, sniff
from glowledger.spectra.frames import Frames
from glowledger.spectra.headers import preamble
from glowledger.spectra.layouts import arrange
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.rows import clean_numbers, parse
from glowledger.spectra.settings import elapsed_of, moment_in, settings_of

FEWEST_FILES = 4
_FILES_AT_ONCE = 64


def read_batch(files: Sequence[Path], options: ReadingOptions) -> Frames | None:
    """Read two-column files that are all written like the first.

    Parameters
    ----------
    files : sequence of Path
        One frame each.
    options : ReadingOptions
        What the user stated.

    Returns
    -------
    Frames or None
        In the order of `files`, not yet masked; None where a file differs in more than its counts and the
        values of its preamble, or is not clean: then each has to be read for itself.

    Raises
    ------
    ReadError
        If the first file cannot be read.
    """
    from glowledger.spectra.reading import assemble

    if len(files) < FEWEST_FILES:
        return None
    source = decode(load_bytes(files[0]), files[0])
    if source.encoding.startswith("UTF-16"):
        return None
    dialect = sniff(source, options)
    table = parse(source, dialect)
    block = arrange(table, dialect, source.path, options)
    if dialect.columns != 2 or len(block.counts) != 1 or block.dark is not None or table.notes:
        return None
    counts = np.empty((len(files), len(block.axis)))
    heads: list[bytes] = []
    for start in range(0, len(files), _FILES_AT_ONCE):
        raw = _joined_data(files[start : start + _FILES_AT_ONCE], source, dialect, len(block.axis), heads)
        values = None if raw is None else clean_numbers(raw, 0, dialect)
        if values is None or not (values[:, 0].reshape(-1, len(block.axis)) == block.axis).all():
            return None
        counts[start : start + _FILES_AT_ONCE] = values[:, 1].reshape(-1, len(block.axis))
    n = len(files)
    many = replace(
        block, counts=counts, time_s=np.full(n, np.nan), columns=block.columns * n, lines=block.lines * n
    )
    return _with_heads(assemble(many, dialect, source, (), options), files, heads, source, options)


def _joined_data(
    files: Sequence[Path], source: SourceText, dialect: Dialect, rows: int, heads: list[bytes]
) -> bytes | None:
    """Return the data lines of some files, one after the other; None where one is written in another way."""
    start = source.offset(dialect.first)
    model_head = source.raw[:start]
    model_last = model_head.rstrip(b"\n").rpartition(b"\n")[2]
    parts = []
    for file in files:
        raw = load_bytes(file)
        if b"\r" in raw:
            raw = raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        raw = raw.removeprefix(b"\xef\xbb\xbf")
        at = start
        if not raw.startswith(model_head):
            at = 0
            for _ in range(dialect.first):
                at = raw.find(b"\n", at) + 1
                if not at:
                    return None
            if raw[:at].rstrip(b"\n").rpartition(b"\n")[2] != model_last:
                return None  # the line above the data, the header as a rule
        if not raw.endswith(b"\n"):
            raw += b"\n"
        if raw.count(b"\n", at) != rows:
            return None
        heads.append(raw[:at])
        parts.append(raw[at:])
    return b"".join(parts)


def _with_heads(
    frames: Frames, files: Sequence[Path], heads: Sequence[bytes], source: SourceText, options: ReadingOptions
) -> Frames:
    """Give each frame its file, and the exposure, averages and time of its own preamble."""
    seen: dict[bytes, tuple[float, float, tuple[str, ...]]] = {}
    exposure, averages = np.empty(len(files)), np.empty(len(files))
    moments: list[datetime | None] = []
    elapsed = np.full(len(files), np.nan)
    origins = []
    model = frames.origins[0]
    for i, (file, head) in enumerate(zip(files, heads, strict=True)):
        metadata = (
            frames.metadata
            if head == heads[0]
            else preamble(head.decode(source.codec, "replace").split("\n"))
        )
        settings = tuple(pair for pair in metadata if pair[0])
        if head not in seen:
            seen[head] = settings_of(settings, options)
        exposure[i], averages[i], sentences = seen[head]
        found, run_time = moment_in(metadata), elapsed_of(metadata)
        moments.append(found[0] if found else None)
        if run_time:
            elapsed[i] = run_time[0]
        understood = (
            model.understood
            if head == heads[0]
            else (*model.understood[:2], *sentences, model.understood[-1])
        )
        origins.append(replace(model, file=file, understood=understood))
    started = None
    if all(moments) and not np.all(np.isfinite(elapsed)):
        known = [moment for moment in moments if moment is not None]
        started = min(known)
        elapsed = np.array([(moment - started).total_seconds() for moment in known])
    return replace(
        frames,
        time_s=elapsed,
        exposure_s=exposure,
        averages=averages,
        origins=tuple(origins),
        started_at=started.isoformat() if started else None,
    )
