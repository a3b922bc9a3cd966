"""Read spectra from a file or a folder, and say how they were understood."""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import ReadError
from glowledger.spectra.axes import FEWEST_POINTS, find_unit, spoken, to_standard
from glowledger.spectra.blocks import Block
from glowledger.spectra.darks import subtract_dark
from glowledger.spectra.decoding import SourceText, load
from glowledger.spectra.dialect import Dialect, sniff
from glowledger.spectra.frames import AxisKind, Detector, Frames, Origin
from glowledger.spectra.layouts import arrange
from glowledger.spectra.masks import find_ceiling, spikes, stuck_pixels
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.other_formats import reader_for
from glowledger.spectra.rounded_axis import unrounded
from glowledger.spectra.rows import parse
from glowledger.spectra.settings import detector_of, elapsed_of, moment_in, settings_of, states_vacuum

_LOG = logging.getLogger(__name__)


def read_spectra(
    path: str | Path,
    *,
    axis_unit: str | None = None,
    delimiter: str | None = None,
    decimal: str | None = None,
    layout: str | None = None,
    time_unit: str | None = None,
    ceiling: float | None = None,
    exposure_s: float | None = None,
    interval_s: float | None = None,
) -> Frames:
    """Read spectra from a file, or from a folder with one frame per file.

    Parameters
    ----------
    path : path
        Text file (CSV and its relatives), ECSV, FITS, a format that an installed package reads, or a folder
        of such files.
    axis_unit, delimiter, decimal, layout, time_unit, ceiling, exposure_s, interval_s : optional
        What the user states; see `options.ReadingOptions`. Left out: found out from the file.

    Returns
    -------
    Frames
        Axis in pixel or nm (air). Each frame's `Origin.understood` says how it was taken.

    Raises
    ------
    ReadError
        If the file cannot be read as spectra.
    AmbiguousFile
        If two readings are possible that would give different spectra.
    """
    options = ReadingOptions(
        axis_unit=axis_unit, delimiter=delimiter, decimal=decimal, layout=layout, time_unit=time_unit,
        ceiling=ceiling, exposure_s=exposure_s, interval_s=interval_s,
    )  # fmt: skip
    frames = _at_intervals(_read(Path(path), options), interval_s)
    for sentence in frames.origins[0].understood if frames.origins else ():
        _LOG.info("%s: %s", path, sentence)
    return frames


def _at_intervals(frames: Frames, interval_s: float | None) -> Frames:
    """Give frames without any time those that follow from a stated interval."""
    if interval_s is None or np.isfinite(frames.time_s).any():
        return frames
    said = f"The files tell no times; a frame every {interval_s:g} s, as stated."
    origins = tuple(replace(origin, understood=(*origin.understood, said)) for origin in frames.origins)
    return replace(frames, time_s=interval_s * np.arange(float(len(frames))), origins=origins)


def _read(path: Path, options: ReadingOptions) -> Frames:
    read_other = reader_for(path)
    if read_other is not None:
        return read_other(path, options)
    if path.is_dir():
        from glowledger.spectra.folders import read_folder

        return with_masks(read_folder(path, options), options)
    return with_masks(read_text(load(path), options), options)


def read_text(source: SourceText, options: ReadingOptions) -> Frames:
    """Read spectra from the text of one file, not yet masked; see `read_spectra`."""
    dialect = sniff(source, options)
    table = parse(source, dialect)
    block = arrange(table, dialect, source.path, options)
    return assemble(block, dialect, source, table.notes, options)


def assemble(
    block: Block, dialect: Dialect, source: SourceText, notes: tuple[str, ...], options: ReadingOptions
) -> Frames:
    """Convert the axis, put it in rising order, and carry what the preamble says; nothing is masked but gaps.

    A dark column is subtracted, and then all is masked first: a ceiling shows only before.
    """
    path = source.path
    axis, kind, counts, dark, sentences = _axis(block, dialect, path, options)
    mask = ~np.isfinite(counts)
    if mask.any():
        counts = np.where(mask, 0.0, counts)
    exposure, averages, more = settings_of(dialect.metadata, options)
    time_s, started, when = _moment(block, dialect)
    n = len(counts)
    understood = (*block.sentences, *sentences, *more, *when, *notes, _written(dialect, source))
    frames = Frames(
        axis=axis,
        axis_kind=kind,
        counts=counts,
        mask=mask,
        time_s=time_s,
        exposure_s=np.full(n, exposure),
        averages=np.full(n, averages),
        detector=Detector(**detector_of(dialect.metadata)),
        origins=tuple(
            Origin(file=path, line=line, column=column or None, understood=understood)
            for line, column in zip(block.lines, block.columns, strict=True)
        ),
        metadata=dialect.metadata,
        started_at=None if started is None else started.isoformat(),
    )
    return frames if dark is None else _less_column(frames, dark, options)


def _less_column(frames: Frames, dark: NDArray[np.float64], options: ReadingOptions) -> Frames:
    """Subtract a dark column, recorded with the settings of the frames."""
    frames = with_masks(frames, options)
    lost = ~np.isfinite(dark)
    column = replace(
        frames[0],
        counts=np.where(lost, 0.0, dark)[None],
        mask=lost[None],
        detector=Detector(),
        origins=(Origin(file=frames.origins[0].file, column="dark"),),
    )
    return subtract_dark(frames, column)


def with_masks(frames: Frames, options: ReadingOptions) -> Frames:
    """Mask what must not be used, in all frames together, and say so.

    Parameters
    ----------
    frames : Frames
        As `assemble` returns them, of one detector.
    options : ReadingOptions
        May state the ceiling.

    Returns
    -------
    Frames
        With saturated, stuck and spiky pixels masked, the ceiling in `detector`, and sentences on each.
    """
    if frames.added_variance is not None:
        return frames  # masked before its dark was subtracted
    mask = frames.mask
    sentences = []
    missing = int(np.count_nonzero(mask))
    if missing:
        sentences.append(f"{_values(missing)} missing or not a number; masked.")
    ceiling, why = frames.detector.ceiling_counts, "as the file states"
    if options.ceiling is not None:
        ceiling, why = options.ceiling, "as you said"
    elif ceiling is None:
        ceiling, why = find_ceiling(np.where(mask, np.nan, frames.counts) if missing else frames.counts)
    if ceiling is not None:
        saturated = frames.counts >= ceiling
        mask = mask | saturated
        sentences.append(f"Saturation at {ceiling:g} counts ({why}): {np.count_nonzero(saturated)} masked.")
    stuck = stuck_pixels(frames.counts, mask)
    if stuck.any():
        mask = mask | stuck
        sentences.append(f"Stuck pixels, the same in every frame; masked: {_listed(frames.axis[stuck])}.")
    hot = spikes(frames.counts.mean(axis=0, keepdims=True))[0] & ~mask.any(axis=0)
    if hot.any():
        mask = mask | hot
        sentences.append(
            f"Single pixels narrower than the lines (hot or dead); masked: {_listed(frames.axis[hot])}."
        )
    return replace(
        frames,
        mask=mask,
        detector=replace(frames.detector, ceiling_counts=ceiling),
        origins=_saying(frames.origins, tuple(sentences)),
    )


def _saying(origins: tuple[Origin, ...], sentences: tuple[str, ...]) -> tuple[Origin, ...]:
    """Add sentences to origins; frames of one file share one tuple of them."""
    shared: dict[int, tuple[str, ...]] = {}
    found = []
    for origin in origins:
        key = id(origin.understood)
        if key not in shared:
            shared[key] = (*origin.understood, *sentences)
        found.append(Origin(file=origin.file, line=origin.line, column=origin.column, understood=shared[key]))
    return tuple(found)


def _values(count: int) -> str:
    return "1 value is" if count == 1 else f"{count} values are"


def _listed(values: NDArray[np.float64], most: int = 8) -> str:
    shown = ", ".join(f"{value:.6g}" for value in values[:most])
    return shown if len(values) <= most else f"{shown} and {len(values) - most} more"


def _axis(
    block: Block, dialect: Dialect, path: Path, options: ReadingOptions
) -> tuple[NDArray[np.float64], AxisKind, NDArray[np.float64], NDArray[np.float64] | None, list[str]]:
    """Return axis, its kind, counts and dark in rising order of the axis, and sentences."""
    if not np.all(np.isfinite(block.axis)):
        i = int(np.flatnonzero(~np.isfinite(block.axis))[0])
        raise ReadError(
            f"the axis has no number at point {i + 1}.",
            mend="Mend or delete that row.",
            file=path,
            line=_line_of(block, i),
        )
    if options.axis_unit:
        unit, why = options.axis_unit, "as you said"
    else:
        unit, why = find_unit(block.axis, block.axis_name, block.axis_unit, path)
        if unit in ("nm", "angstrom") and states_vacuum(dialect.metadata):
            unit, why = f"{unit}_vacuum", f"{why}; the preamble states vacuum wavelengths"
    written, counts, dark, more = _points(block)
    try:
        axis, how = to_standard(written, unit)
    except ReadError as error:
        raise ReadError(error.problem, mend=error.mend, file=path) from None
    sentences = [f"The axis is {spoken(unit)} ({why})." + (f" {how}" if how else ""), *more]
    step = np.diff(axis)
    if step.size and np.all(step < 0):
        axis, counts = axis[::-1].copy(), np.ascontiguousarray(counts[:, ::-1])
        dark = None if dark is None else dark[::-1]
        if unit not in ("cm-1", "eV"):
            sentences.append("The axis ran downwards and was turned round.")
    elif not np.all(step > 0):
        raise _uneven(block, dialect, step, path)
    return axis, "pixel" if unit == "pixel" else "nm_air", counts, dark, sentences


def _points(
    block: Block,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64] | None, list[str]]:
    """Return axis in its unit, counts and dark without rows written twice and not rounded, and sentences."""
    axis, counts, dark, repeated = _without_repeats(block.axis, block.counts, block.dark)
    sentences = []
    if repeated and np.any(np.diff(axis) == 0):  # some of them differ: they are pixels closer than a last decimal
        axis, counts, dark, repeated = block.axis, block.counts, block.dark, 0
    if repeated:
        sentences.append(f"Rows that repeat the row before them exactly were left out: {repeated}.")
    curve = unrounded(axis)
    if curve is not None:
        sentences.append(
            f"The axis is written to {curve[1]:g} with steps of {np.ptp(axis) / (axis.size - 1):.2g}: "
            "the smooth curve that rounds to its numbers was taken."
        )
        axis = curve[0]
    return axis, counts, dark, sentences


def _without_repeats(
    axis: NDArray[np.float64], counts: NDArray[np.float64], dark: NDArray[np.float64] | None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64] | None, int]:
    """Leave out points that repeat the point before them in every number; the others are an error later."""
    same = np.diff(axis) == 0
    if not same.any():
        return axis, counts, dark, 0
    same &= np.all(counts[:, 1:] == counts[:, :-1], axis=0)
    keep = np.concatenate([[True], ~same])
    return axis[keep], counts[:, keep], None if dark is None else dark[keep], int(same.sum())


def _line_of(block: Block, point: int) -> int | None:
    """Return the line of a point of the axis, where the axis runs down the file."""
    return None if block.rows is None else int(block.rows[point])


def _uneven(block: Block, dialect: Dialect, step: NDArray[np.float64], path: Path) -> ReadError:
    rising = np.count_nonzero(step > 0) >= np.count_nonzero(step < 0)
    wrong = step <= 0 if rising else step >= 0
    i = int(np.flatnonzero(wrong)[0])
    before, here = block.axis[i], block.axis[i + 1]
    what = "repeats" if step[i] == 0 else "turns back"
    mend = "Remove the repeated rows, or export one spectrum per file."
    whole = np.all(block.counts == np.round(block.counts)) and np.all(block.axis == np.round(block.axis))
    if dialect.delimiter == "," and whole and dialect.notation.decimal == ".":
        mend = "If commas are decimal marks here as well as between columns, export with ';' between columns."
    return ReadError(
        f"the axis {what} at point {i + 2}: {here:.10g} after {before:.10g}; it must rise or fall "
        "throughout.",
        mend=mend,
        file=path,
        line=_line_of(block, i + 1),
    )


def _moment(block: Block, dialect: Dialect) -> tuple[NDArray[np.float64], datetime | None, list[str]]:
    """Return times, the wall-clock time they count from, and sentences."""
    if block.started is not None:
        return block.time_s, block.started, []
    found = moment_in(dialect.metadata)
    time_s, sentences = block.time_s, []
    if len(time_s) == 1 and not np.isfinite(time_s[0]):
        elapsed = elapsed_of(dialect.metadata)
        if elapsed:
            time_s = np.array([elapsed[0]])
            sentences.append(f"Time {elapsed[0]:g} s ('{elapsed[1]}').")
    if found:
        sentences.append(f"Recorded {found[0].isoformat(sep=' ')} ('{found[1]}').")
    return time_s, found[0] if found else None, sentences


def _written(dialect: Dialect, source: SourceText) -> str:
    mark = "comma" if dialect.notation.decimal == "," else "point"
    return (
        f"Text in {source.encoding}, columns by {dialect.delimiter_name}, decimal {mark}, data "
        f"from line {dialect.first + 1}."
    )


def require_light(frames: Frames) -> None:
    """Refuse frames that hold no usable light.

    Raises
    ------
    ReadError
        If there are fewer than 20 points, all counts are zero, or every pixel is saturated.
    """
    file = frames.origins[0].file if frames.origins else None
    if frames.axis.size < FEWEST_POINTS:
        raise ReadError(
            f"fewer than {FEWEST_POINTS} points ({frames.axis.size}): too few for a spectrum.",
            mend="Export the whole spectrum.",
            file=file,
        )
    ceiling = frames.detector.ceiling_counts
    if frames.mask.all() and ceiling is not None and np.any(frames.counts >= ceiling):
        raise ReadError("every pixel is saturated.", mend="Shorten the exposure and record again.", file=file)
    if frames.mask.all():
        raise ReadError("every value is missing or masked.", mend="Export the spectrum again.", file=file)
    if not np.any(frames.counts[~frames.mask]):
        raise ReadError("the spectrum is all zero.", mend="Check fibre, shutter and exposure.", file=file)
