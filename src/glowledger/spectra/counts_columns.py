"""Which columns of a wide table are counts of frames, and which are something else."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import ReadError
from glowledger.spectra.column_names import AXIS_ROLES, channel_of, role_of

FULL_CHANNELS = tuple(2.0**bits - 1.0 for bits in (8, 10, 12, 14, 16))  # of a camera


def counts_columns(
    values: NDArray[np.float64], names: Sequence[str], axis: int, path: Path
) -> tuple[NDArray[np.float64], list[int], NDArray[np.float64] | None, list[str]]:
    """Tell the counts in a table.

    Parameters
    ----------
    values : ndarray of shape (p, c)
        The table.
    names : sequence of str, length c
        Of its columns; empty where there are none.
    axis : int
        Column of the axis.
    path : Path
        For errors.

    Returns
    -------
    counts : ndarray of shape (n, p)
        A row per frame.
    columns : list of int
        Where each came from.
    dark : ndarray of shape (p,) or None
        The dark column.
    sentences : list of str
        On what was left out.

    Raises
    ------
    ReadError
        If there are none.
    """
    roles = [role_of(name) for name in names]
    keep, dark, sentences = _named(values, names, roles, axis)
    keep, also = _of_one_frame(keep, names, roles, dark is not None)
    if not keep:
        raise _no_counts(names, roles, path)
    if dark is not None and all(roles[i] == "corrected" for i in keep):
        dark, also = None, [*also, "The dark column was left out: it has been taken off already."]
    counts, keep, added = _without_channels(_as_rows(values, keep), keep, names)
    return counts, keep, dark, [*sentences, *also, *added]


def _named(
    values: NDArray[np.float64], names: Sequence[str], roles: Sequence[str | None], axis: int
) -> tuple[list[int], NDArray[np.float64] | None, list[str]]:
    """Return columns of counts, the dark column, and sentences on what was left out."""
    keep: list[int] = []
    dark = None
    sentences = []
    for i, role in enumerate(roles):
        if i == axis:
            continue
        if role == "dark" and len(roles) > 2 and dark is None:
            dark = values[:, i]
        elif role == "reference" and len(roles) > 2:
            sentences.append(f"Column '{names[i]}', a reference, was left out.")
        elif role in AXIS_ROLES:
            sentences.append(f"Column '{names[i]}', another axis, was left out.")
        elif role == "processed":
            sentences.append(f"Column '{names[i]}' was left out: it is no counts.")
        elif role in ("frame", "time") and len(roles) > 2 and is_monotone(values[:, i]):
            sentences.append(f"Column '{names[i]}', a running number, was left out.")
        else:
            keep.append(i)
    return keep, dark, sentences


def _of_one_frame(
    keep: list[int], names: Sequence[str], roles: Sequence[str | None], has_dark: bool
) -> tuple[list[int], list[str]]:
    """Leave out columns that say again what the counts beside them say: smoothed, or with the dark taken off.

    Counts with their dark column are used as they were recorded, as noise then is what it was; without one, what the
    spectrometer's own program took off is better than nothing.
    """
    raw, corrected, smoothed = ([i for i in keep if roles[i] == one] for one in ("counts", "corrected", "smoothed"))
    again: list[int] = []
    if len(raw) == 1 and len(corrected) == 1:
        again += corrected if has_dark else raw
    if raw or corrected:
        again += smoothed
    said = [f"Column '{names[i]}' was left out: another column holds the same light." for i in again]
    return [i for i in keep if i not in again], said


def _no_counts(names: Sequence[str], roles: Sequence[str | None], path: Path) -> ReadError:
    """Return the error of a table without counts; what it holds instead is named."""
    processed = [name for name, role in zip(names, roles, strict=True) if role == "processed"]
    if processed:
        return ReadError(
            f"'{processed[0]}' is what is left of a lamp's light behind a sample, not the light of a glow.",
            mend="Export counts, often called intensity or scope mode.",
            file=path,
        )
    return ReadError("no column of counts was found.", mend="Name it 'counts'.", file=path)


def _without_channels(
    counts: NDArray[np.float64], keep: list[int], names: Sequence[str]
) -> tuple[NDArray[np.float64], list[int], list[str]]:
    """Return counts, shape (n, p), and their columns without the colour channels of a camera, and what was done.

    They are no frames. Where the table has no counts beside them, their sum is the light; a point at which one of them
    is full is missing then.
    """
    place = {channel_of(names[column]): k for k, column in enumerate(keep)}
    channels = [place[one] for one in ("red", "green", "blue") if one in place]
    if len(channels) < 3:
        return counts, keep, []
    said = ", ".join(f"'{names[keep[k]]}'" for k in channels)
    others = [k for k in range(len(keep)) if k not in channels]
    if others:
        used = names[keep[others[0]]]
        sentence = f"Columns {said}, the colour channels of a camera, were left out: '{used}' is used."
        return counts[others], [keep[k] for k in others], [sentence]
    three = counts[channels]
    full = float(np.nanmax(three))
    at_end = (three == full).any(axis=0) if full in FULL_CHANNELS else np.zeros(three.shape[1], dtype=bool)
    lost = f", but for {at_end.sum()} points at which one is full ({full:g})" if at_end.any() else ""
    together = np.where(at_end, np.nan, three.sum(axis=0))[None]
    return together, [keep[channels[0]]], [f"Columns {said}, the colour channels of a camera, were added{lost}."]


def _as_rows(values: NDArray[np.float64], columns: list[int]) -> NDArray[np.float64]:
    """Return columns as rows of one contiguous array, without a copy where they lie side by side."""
    first, last = columns[0], columns[-1]
    if columns == list(range(first, last + 1)):
        return np.ascontiguousarray(values[:, first : last + 1].T)
    return np.ascontiguousarray(values[:, columns].T)


def is_monotone(values: NDArray[np.float64]) -> bool:
    """Return True if values rise, or fall, throughout."""
    before, after = values[:-1], values[1:]  # compared, not subtracted: two infinities have no difference
    return bool(after.size > 0 and (np.all(after > before) or np.all(after < before)))
