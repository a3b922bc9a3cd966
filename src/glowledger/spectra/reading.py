"""Read spectra from a file or a folder, and say how they were understood."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import ReadError
from glowledger.spectra.axes import find_unit, spoken, to_standard
from glowledger.spectra.decoding import SourceText, load
from glowledger.spectra.dialect import Dialect, sniff
from glowledger.spectra.frames import Detector, Frames, Origin
from glowledger.spectra.layouts import Block, arrange
from glowledger.spectra.masks import find_ceiling
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.rows import parse
from glowledger.spectra.settings import averages_of, detector_of, exposure_of, moment_in

FEWEST_POINTS = 20


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
) -> Frames:
    """Read spectra from a file, or from a folder with one frame per file.

    Parameters
    ----------
    path : path
        Text file (CSV and its relatives), ECSV, FITS, or a folder of such files.
    axis_unit, delimiter, decimal, layout, time_unit, ceiling, exposure_s : optional
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
        ceiling=ceiling, exposure_s=exposure_s,
    )  # fmt: skip
    path = Path(path)
    if is_standard_table(path):
        from glowledger.spectra.astropy_edge import read_table

        return read_table(path, options)
    if path.is_dir():
        from glowledger.spectra.folders import read_folder

        return read_folder(path, options)
    return read_text(load(path), options)


def is_standard_table(path: Path) -> bool:
    """Return True for FITS and ECSV files, which astropy reads."""
    try:
        with open(path, "rb") as stream:
            head = stream.read(30)
    except OSError:
        return False  # whatever is wrong is told where the file is read
    return head.startswith((b"SIMPLE  =", b"# %ECSV"))


def read_text(source: SourceText, options: ReadingOptions) -> Frames:
    """Read spectra from the text of one file; see `read_spectra`."""
    dialect = sniff(source, options)
    table = parse(source, dialect)
    block = arrange(table, dialect, source.path, options)
    return assemble(block, dialect, source, table.notes, options)


def assemble(
    block: Block, dialect: Dialect, source: SourceText, notes: tuple[str, ...], options: ReadingOptions
) -> Frames:
    """Convert the axis, put it in rising order, mask what must not be used."""
    path = source.path
    axis, counts, dark, sentences = _axis(block, path, options)
    stated = detector_of(dialect.metadata)
    ceiling, why = stated.pop("ceiling_counts", None), "as the file states"
    if options.ceiling is not None:
        ceiling, why = options.ceiling, "as you said"
    elif ceiling is None:
        ceiling, why = find_ceiling(counts)
    mask = ~np.isfinite(counts)
    if mask.any():
        sentences.append(f"{int(mask.sum())} values are missing or not a number; they are masked.")
        counts = np.where(mask, 0.0, counts)
    if ceiling is not None:
        saturated = counts >= ceiling
        mask |= saturated
        sentences.append(f"Saturation at {ceiling:g} counts ({why}): {int(saturated.sum())} values masked.")
    if dark is not None:
        counts = counts - np.where(np.isfinite(dark), dark, 0.0)
        mask |= ~np.isfinite(dark)
        sentences.append("The dark column was subtracted.")
    exposure, averages, more = _settings(dialect, options)
    moment = moment_in(dialect.metadata)
    started = block.started or (moment[0] if moment else None)
    n = len(counts)
    sentences = [*block.sentences, *sentences, *more, *notes, _written(dialect, source)]
    origins = tuple(
        Origin(file=path, line=block.lines[i], column=block.columns[i] or None, understood=tuple(sentences))
        for i in range(n)
    )
    return Frames(
        axis=axis,
        axis_kind="pixel" if _unit(block, path, options)[0] == "pixel" else "nm_air",
        counts=counts,
        mask=mask,
        time_s=block.time_s,
        exposure_s=np.full(n, exposure),
        averages=np.full(n, averages),
        detector=Detector(ceiling_counts=ceiling, **stated),
        origins=origins,
        metadata=dialect.metadata,
        started_at=None if started is None else started.isoformat(),
    )


def _unit(block: Block, path: Path, options: ReadingOptions) -> tuple[str, str]:
    if options.axis_unit:
        return options.axis_unit, "as you said"
    return find_unit(block.axis, block.axis_name, block.axis_unit, path)


def _axis(
    block: Block, path: Path, options: ReadingOptions
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64] | None, list[str]]:
    if not np.all(np.isfinite(block.axis)):
        i = int(np.flatnonzero(~np.isfinite(block.axis))[0])
        raise ReadError(f"the axis has no number at point {i + 1}.", mend="Mend that row.", file=path)
    unit, why = _unit(block, path, options)
    axis, how = to_standard(block.axis, unit)
    sentences = [f"The axis is {spoken(unit)} ({why})." + (f" {how}" if how else "")]
    counts, dark = block.counts, block.dark
    step = np.diff(axis)
    if axis.size > 1 and np.all(step < 0):
        axis, counts = axis[::-1].copy(), np.ascontiguousarray(counts[:, ::-1])
        dark = None if dark is None else dark[::-1]
        sentences.append("The axis ran downwards and was turned round.")
        step = -step[::-1]
    if np.any(step <= 0):
        i = int(np.flatnonzero(step <= 0)[0])
        what = "repeats" if step[i] == 0 else "falls back"
        line = block.lines[0] + i + 1 if block.layout in ("wide", "two-column") and block.lines else None
        raise ReadError(
            f"the axis {what} at point {i + 2}: {axis[i + 1]:g} after {axis[i]:g}; it must rise (or fall) throughout.",
            mend="Remove the repeated rows, or export one spectrum per file.",
            file=path,
            line=line,
        )
    return axis, counts, dark, sentences


def _settings(dialect: Dialect, options: ReadingOptions) -> tuple[float, float, list[str]]:
    sentences = []
    exposure = options.exposure_s if options.exposure_s is not None else float("nan")
    if options.exposure_s is not None:
        sentences.append(f"Exposure {exposure:g} s, as you said.")
    else:
        found = exposure_of(dialect.metadata)
        if found and np.isfinite(found[0]):
            exposure = found[0]
            sentences.append(f"Exposure {exposure:g} s ('{found[1]}').")
        elif found:
            sentences.append(
                f"The exposure ('{found[1]}') names no unit and was not used; state it with --exposure."
            )
    averages = averages_of(dialect.metadata)
    if averages:
        sentences.append(f"Each frame is the mean of {averages[0]:g} scans ('{averages[1]}').")
    return exposure, averages[0] if averages else 1.0, sentences


def _written(dialect: Dialect, source: SourceText) -> str:
    mark = "comma" if dialect.notation.decimal == "," else "point"
    return f"Text in {source.encoding}, columns by {dialect.delimiter_name}, decimal {mark}, data from line {dialect.first + 1}."


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
    if not np.any(frames.counts):
        raise ReadError("the spectrum is all zero.", mend="Check fibre, shutter and exposure.", file=file)
    ceiling = frames.detector.ceiling_counts
    if frames.mask.all():
        what = "every pixel is saturated" if ceiling is not None else "every value is missing or masked"
        raise ReadError(f"{what}.", mend="Shorten the exposure and record again.", file=file)


__all__ = ["FEWEST_POINTS", "read_spectra", "read_text", "replace", "require_light"]
