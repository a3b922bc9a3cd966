"""What a file or folder holds, in numbers and plain sentences."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import ReadError
from glowledger.spectra.frames import Frames
from glowledger.spectra.masks import spikes, stuck_pixels
from glowledger.spectra.noise import estimate_noise
from glowledger.spectra.reading import require_light

SCHEMA = "glowledger/inspect/1"


def describe(frames: Frames, path: Path) -> dict[str, Any]:
    """Describe frames as the document of ``glowledger inspect --json``.

    Parameters
    ----------
    frames : Frames
        As `reading.read_spectra` returns them.
    path : Path
        What was read.

    Returns
    -------
    dict
        `schema`, `path`, `frames`, `points`, `axis`, `times`, `exposure_s`, `averages`, `counts`,
        `saturation`, `masked`, `pixels`, `noise`, `settings`, `understood`, `warnings`; numbers, lists and
        sentences only.
    """
    ceiling = frames.detector.ceiling_counts
    saturated = frames.counts >= ceiling if ceiling is not None else np.zeros_like(frames.mask)
    return {
        "schema": SCHEMA,
        "path": str(path),
        "frames": len(frames),
        "points": frames.axis.size,
        "axis": {
            "kind": frames.axis_kind,
            "range": [float(frames.axis[0]), float(frames.axis[-1])],
            "step": float(np.median(np.diff(frames.axis))) if frames.axis.size > 1 else None,
            "gaps": _gaps(frames.axis),
        },
        "times": _times(frames),
        "exposure_s": _single_or_list(frames.exposure_s),
        "averages": _single_or_list(frames.averages),
        "counts": _counts(frames),
        "saturation": {
            "ceiling_counts": ceiling,
            "values": int(np.count_nonzero(saturated)),
            "points": int(np.count_nonzero(saturated.any(axis=0))),
            "frames": int(np.count_nonzero(saturated.any(axis=1))),
        },
        "masked": int(np.count_nonzero(frames.mask)),
        "pixels": {
            "stuck": frames.axis[stuck_pixels(frames.counts, saturated)].tolist(),
            "narrow": frames.axis[spikes(frames.counts.mean(axis=0, keepdims=True))[0]].tolist(),
        },
        "noise": _noise(frames),
        "settings": [{"key": key, "value": value} for key, value in frames.metadata],
        "understood": list(dict.fromkeys(s for origin in frames.origins for s in origin.understood)),
        "warnings": warnings_of(frames),
    }


def _counts(frames: Frames) -> dict[str, Any]:
    seen = frames.counts[~frames.mask]
    return {
        "lowest": float(seen.min()) if seen.size else None,
        "median": float(np.median(seen)) if seen.size else None,
        "highest": float(frames.counts.max()),
        "negative": int(np.count_nonzero(frames.counts < 0)),
    }


def _noise(frames: Frames) -> dict[str, Any]:
    noise = estimate_noise(frames)
    return {
        "read_noise_counts": noise.detector.read_noise_counts,
        "read_noise_standard_error": noise.read_noise_se,
        "counts_per_electron": noise.detector.counts_per_electron,
        "counts_per_electron_standard_error": noise.counts_per_electron_se,
        "assumed": noise.gain_assumed,
        "sentences": list(noise.sentences),
    }


def warnings_of(frames: Frames) -> list[str]:
    """Return what a user should know before using the frames, loudest first."""
    found = []
    try:
        require_light(frames)
    except ReadError as error:
        found.append(f"{error.problem} {error.mend}".strip())
    ceiling = frames.detector.ceiling_counts
    if not found and ceiling is not None:
        saturated = frames.counts >= ceiling
        share = saturated.any(axis=0).mean()
        if saturated.any():
            found.append(
                f"{np.count_nonzero(saturated.any(axis=0))} of {frames.axis.size} points are saturated in "
                f"{np.count_nonzero(saturated.any(axis=1))} of {len(frames)} frames: their counts "
                "are only lower limits."
            )
        if share > 0.1:
            found.append("More than a tenth of the points is saturated: shorten the exposure.")
    dead = np.flatnonzero(~np.any(frames.counts, axis=1))
    if dead.size and dead.size < len(frames):
        found.append(f"{dead.size} of {len(frames)} frames are all zero, the first is frame {dead[0] + 1}.")
    if len(frames) > 1 and not np.all(np.isfinite(frames.time_s)):
        found.append("Times are not known: a run can only be followed by frame number.")
    elif len(frames) > 1 and np.any(np.diff(frames.time_s) <= 0):
        found.append("Some frames have the same time, or times run backwards.")
    return found


def _gaps(axis: NDArray[np.float64]) -> list[list[float]]:
    """Return places where the axis jumps by more than three of its steps around, as [from, to]."""
    step = np.diff(axis)
    if step.size < 3:
        return []
    wide = np.flatnonzero(step > 3 * np.median(step))
    return [[float(axis[i]), float(axis[i + 1])] for i in wide[:20]]


def _times(frames: Frames) -> dict[str, Any]:
    times = frames.time_s
    known = bool(np.all(np.isfinite(times)))
    several = known and len(times) > 1
    return {
        "known": known,
        "first_s": float(times[0]) if known else None,
        "last_s": float(times[-1]) if known else None,
        "interval_s": float(np.median(np.diff(times))) if several else None,
        "longest_gap_s": float(np.max(np.diff(times))) if several else None,
        "started_at": frames.started_at,
    }


def _single_or_list(values: NDArray[np.float64]) -> float | list[float] | None:
    distinct = np.unique(values[np.isfinite(values)])
    if distinct.size == 0:
        return None
    return float(distinct[0]) if distinct.size == 1 and np.all(np.isfinite(values)) else values.tolist()


def sentences(document: dict[str, Any]) -> str:
    """Return the description as plain text, what it means first.

    Parameters
    ----------
    document : dict
        Of `describe`.

    Returns
    -------
    str
        Lines without an end of line at the end.
    """
    frames, points = document["frames"], document["points"]
    axis, unit = document["axis"], "nm" if document["axis"]["kind"] == "nm_air" else "pixel"
    low, high = axis["range"]
    reach = (
        f"from {low:.6g} to {high:.6g} nm (air)" if unit == "nm" else f"pixel {low:g} to {high:g}, not in nm"
    )
    lines = [f"{_number(frames, 'spectrum', 'spectra')} of {_number(points, 'point', 'points')}, {reach}."]
    if axis["step"] is not None and unit == "nm":
        lines.append(f"One point every {axis['step']:.3g} nm.")
    if frames > 1:
        lines.append(_spoken_times(document["times"]))
    lines.append(_spoken_exposure(document))
    lines.append(_spoken_counts(document))
    lines.extend(document["noise"]["sentences"])
    if axis["gaps"]:
        lines.append("Gaps in the axis: " + ", ".join(f"{a:.6g} to {b:.6g}" for a, b in axis["gaps"]) + ".")
    if document["warnings"]:
        lines += ["", "Take care:", *(f"  {text}" for text in document["warnings"])]
    lines += ["", "How it was read:", *(f"  {text}" for text in _without_repeats(document["understood"]))]
    if unit == "pixel":
        lines += [
            "",
            "Next: find the wavelengths with a lamp spectrum:  glowledger calibrate LAMP_FILE --lamp auto",
        ]
    return "\n".join(lines)


def _without_repeats(understood: list[str]) -> list[str]:
    """Return what is worth a line: of the moments of a folder's files the first and the last."""
    moments = [text for text in understood if text.startswith("Recorded ")]
    return [text for text in understood if text not in moments[1:-1]]


def _number(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def _spoken_times(times: dict[str, Any]) -> str:
    if not times["known"]:
        return "The times of the frames are not known."
    since = f"; counted from {times['started_at'].replace('T', ' ')}" if times["started_at"] else ""
    return (
        f"Times from {times['first_s']:.6g} to {times['last_s']:.6g} s, one frame every "
        f"{times['interval_s']:.3g} s, longest gap {times['longest_gap_s']:.3g} s{since}."
    )


def _spoken_exposure(document: dict[str, Any]) -> str:
    exposure, averages = document["exposure_s"], document["averages"]
    if exposure is None:
        text = "The exposure is not stated"
    elif isinstance(exposure, list):
        text = "The exposure differs between frames"
    else:
        text = f"Exposure {exposure:.4g} s"
    if isinstance(averages, list):
        return f"{text}; the number of averaged scans differs between frames."
    return f"{text}." if averages == 1 else f"{text}, each frame the mean of {averages:g} scans."


def _spoken_counts(document: dict[str, Any]) -> str:
    counts, saturation = document["counts"], document["saturation"]
    if counts["lowest"] is None:
        return f"No usable counts; the highest value is {counts['highest']:.6g}."
    text = (
        f"Counts from {counts['lowest']:.6g} to {counts['highest']:.6g}, half of them below "
        f"{counts['median']:.6g}"
    )
    text += f", {counts['negative']} negative (kept)" if counts["negative"] else ""
    if saturation["ceiling_counts"] is None:
        return f"{text}; no sign of saturation."
    return (
        f"{text}; {_number(saturation['values'], 'value', 'values')} saturated at "
        f"{saturation['ceiling_counts']:.6g} counts."
    )
