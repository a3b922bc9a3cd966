"""The relative response from branching ratios of the glow's own lines: a check that needs no lamp."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench, Response
from glowledger.errors import CalibrationError
from glowledger.glow.branching_lines import BranchingLines, branching_lines
from glowledger.glow.identifying import Identified, identify
from glowledger.glow.response_guess import expected_response
from glowledger.spectra.frames import Frames
from glowledger.threads import one_thread

Floats = NDArray[np.float64]

CORRELATION_NM = 120.0  # over which the logarithm of a response changes by its own size: common practice, no source
UNKNOWN_SD = 1.0  # of ln(true / guessed) where no response was measured
NODE_NM = 10.0
JOINED_NM = 25.0  # ranges of levels closer than this bound the response together
LEAST_RATIOS = 2
OUTLIER = 2.5  # standard errors beyond which a line counts less: a blend or a band strength that is off
UNTRUSTED = 0.5  # of a measured response: a fibre or window that changed does as much (assumption)
MEASURED_SD = 0.6  # of ln(true / measured) that a check allows for
AGREES = 3.5  # standard errors up to which a measured response is confirmed


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BranchingResponse:
    """What branching ratios say of the response.

    Attributes
    ----------
    lines : BranchingLines
        What they were read from.
    response : Response
        Estimate; its error is relative to `reference_nm`, `usable_nm` the range that ratios bound best.
    reference_nm : float
        Where the estimate is one by definition.
    ranges_nm : tuple of (float, float)
        Each range within which levels tie the response together; nothing ties one range to another.
    chi2 : float
        Of the ratios against the response in the bench, or the guess, per ratio.
    departure : ndarray of shape (m,)
        ln of each line's light over its level's mean, by that response.
    agrees : bool or None
        Whether the response of the bench is confirmed; None if it has none, or covers none of the range.
    sentences : tuple of str
        The same in words.
    """

    lines: BranchingLines
    response: Response
    reference_nm: float
    ranges_nm: tuple[tuple[float, float], ...]
    chi2: float
    departure: Floats
    agrees: bool | None
    sentences: tuple[str, ...]


@one_thread
def branching_response(frames: Frames, bench: Bench | None = None) -> BranchingResponse:
    """Estimate or check the response from a glow that holds argon or nitrogen.

    Parameters
    ----------
    frames : Frames
        The glow, with an nm axis; several frames are averaged.
    bench : Bench, optional
        Its response, if it has one, is what is checked.

    Returns
    -------
    BranchingResponse

    Raises
    ------
    CalibrationError
        If no level shows two lines that can be compared.
    FitError
        As `identify`.
    """
    return from_identified(identify(frames, bench=_untrusting(bench)), bench)


def _untrusting(bench: Bench | None) -> Bench | None:
    """Return the bench with a response that may err by much.

    What is checked must not be assumed: held to a wrong response, species that are not there take what it misses.
    """
    if bench is None or bench.response is None:
        return bench
    loose = np.maximum(bench.response.relative_error, UNTRUSTED)
    return replace(bench, response=replace(bench.response, relative_error=loose))


def from_identified(identified: Identified, bench: Bench | None = None) -> BranchingResponse:
    """As `branching_response`, of a fit already made."""
    lines = branching_lines(identified)
    if len(lines.label) - len(lines.level_names) < LEAST_RATIOS:
        raise CalibrationError(
            "no level of Ar I or N2 shows two or more lines clear enough to compare.",
            mend="Record a brighter glow of argon, nitrogen or air, or measure a tungsten lamp.",
        )
    axis = identified.scene.axis_nm
    measured = bench is not None and bench.response is not None
    spread = MEASURED_SD if measured else UNKNOWN_SD
    departure, chi2 = _departure(lines)
    trusted = _without_outliers(lines, spread)
    ranges = _ranges(lines)
    nodes = np.linspace(axis[0], axis[-1], max(4, round((axis[-1] - axis[0]) / NODE_NM) + 1))
    best = max(ranges, key=lambda r: np.count_nonzero((lines.nm >= r[0]) & (lines.nm <= r[1])))
    reference, correction, error = _against_range(lines, trusted, nodes, best, spread)
    value = expected_response(nodes, bench) * np.exp(correction)
    response = Response(at_nm=nodes, value=value / value.max(), relative_error=np.maximum(error, 0.01), usable_nm=best)
    verdicts = [_range_verdict(bench, lines, trusted, nodes, one, spread) for one in ranges]
    told = [agrees for agrees, _ in verdicts if agrees is not None]
    agrees = all(told) if told else None
    return BranchingResponse(
        lines=lines, response=response, reference_nm=reference, ranges_nm=ranges, chi2=chi2, departure=departure,
        agrees=agrees, sentences=_sentences(lines, ranges, chi2, [text for _, text in verdicts if text]),
    )  # fmt: skip


def _against_range(
    lines: BranchingLines, trusted: BranchingLines, nodes: Floats, span: tuple[float, float], spread: float
) -> tuple[float, Floats, Floats]:
    """Return the middle of a range, and the correction against it with its error, at the nodes."""
    inside = (lines.nm >= span[0]) & (lines.nm <= span[1])
    reference = float(np.average(lines.nm[inside], weights=lines.error[inside] ** -2))
    return reference, *_smooth_correction(trusted, nodes, reference, spread)


def _departure(lines: BranchingLines) -> tuple[Floats, float]:
    """Return ln of each line over its level's weighted mean, and χ² per ratio, no line counting beyond 3 errors."""
    weight = lines.error**-2
    for _ in range(5):
        mean = np.bincount(lines.level, weight * lines.log_light) / np.bincount(lines.level, weight)
        departure = lines.log_light - mean[lines.level]
        weight = lines.error**-2 / np.maximum(1.0, np.abs(departure) / (OUTLIER * lines.error))
    ratios = len(lines.label) - len(lines.level_names)
    return departure, float(np.sum(np.minimum((departure / lines.error) ** 2, 9.0))) / ratios


def _without_outliers(lines: BranchingLines, spread: float) -> BranchingLines:
    """Return the lines with larger errors where they depart from the smooth curve through all."""
    now = lines
    for _ in range(5):
        curve, _ = _smooth_correction(now, lines.nm, float(np.median(lines.nm)), spread)
        left, _ = _departure(replace(now, log_light=lines.log_light - curve))
        now = replace(lines, error=lines.error * np.maximum(1.0, np.abs(left) / (OUTLIER * lines.error)))
    return now


def _ranges(lines: BranchingLines) -> tuple[tuple[float, float], ...]:
    """Return the stretches that levels span, joined where they overlap."""
    spans = sorted(
        (float(lines.nm[lines.level == k].min()), float(lines.nm[lines.level == k].max()))
        for k in range(len(lines.level_names))
    )
    joined = [spans[0]]
    for low, high in spans[1:]:
        if low < joined[-1][1] + JOINED_NM:
            joined[-1] = (joined[-1][0], max(joined[-1][1], high))
        else:
            joined.append((low, high))
    return tuple(joined)


def _smooth_correction(
    lines: BranchingLines, nodes: Floats, reference_nm: float, spread: float
) -> tuple[Floats, Floats]:
    """Return ln(true / expected response) at the nodes against the reference, with its standard error.

    A Gaussian process (Rasmussen & Williams 2006, eq. 2.25, 2.26 and 2.40 with a free mean for every level).
    """

    def covariance(a: Floats, b: Floats) -> Floats:
        away = np.sqrt(5.0) * np.abs(a[:, None] - b[None, :]) / CORRELATION_NM
        return np.asarray(spread**2 * (1 + away + away**2 / 3) * np.exp(-away))

    levels = np.eye(len(lines.level_names))[lines.level]
    within = covariance(lines.nm, lines.nm) + np.diag(lines.error**2)
    inverse = np.linalg.inv(within)
    by_level = np.linalg.inv(levels.T @ inverse @ levels)
    projector = inverse - inverse @ levels @ by_level @ levels.T @ inverse  # any amounts of the levels drop out
    misfit = float(lines.log_light @ projector @ lines.log_light)
    ratios = max(1, len(lines.label) - len(lines.level_names))
    wide = np.append(nodes, reference_nm)
    cross = covariance(wide, lines.nm)
    mean = cross @ projector @ lines.log_light
    posterior = covariance(wide, wide) - cross @ projector @ cross.T
    contrast = np.diag(posterior)[:-1] + posterior[-1, -1] - 2 * posterior[:-1, -1]
    scale = max(1.0, misfit / ratios)
    return mean[:-1] - mean[-1], np.sqrt(np.maximum(contrast, 0.0) * scale)


def _range_verdict(
    bench: Bench | None, lines: BranchingLines, trusted: BranchingLines, nodes: Floats, span: tuple[float, float],
    spread: float,
) -> tuple[bool | None, str]:  # fmt: skip
    """As `_confirmed`; a disagreement that rests on one line alone is none."""
    _, correction, error = _against_range(lines, trusted, nodes, span, spread)
    agrees, text, worst_nm = _confirmed(bench, nodes, correction, error, span)
    if agrees is False:
        nearest = np.arange(lines.nm.size) == np.argmin(np.abs(lines.nm - worst_nm))
        without = replace(trusted, error=np.where(nearest, 10.0 * trusted.error, trusted.error))
        _, correction, error = _against_range(lines, without, nodes, span, spread)
        agrees, other, _ = _confirmed(bench, nodes, correction, error, span)
        text = text if agrees is False else other
    return agrees, text


def _confirmed(
    bench: Bench | None, nodes: Floats, correction: Floats, error: Floats, best: tuple[float, float]
) -> tuple[bool | None, str, float]:
    """Say whether the response of the bench holds where ratios bound it, how far it is off at most, and where."""
    if bench is None or bench.response is None:
        return None, "", float("nan")
    response = bench.response
    low, high = max(best[0], response.usable_nm[0]), min(best[1], response.usable_nm[1])
    inside = np.flatnonzero((nodes >= low) & (nodes <= high))
    if inside.size == 0:
        return None, f"From {best[0]:.0f} to {best[1]:.0f} nm the bench has no response to check.", float("nan")
    own = np.interp(nodes, response.at_nm, response.relative_error)
    total = np.hypot(error, own)
    worst = inside[int(np.argmax(np.abs(correction[inside]) / total[inside]))]
    off = (
        f"largest departure {100 * np.expm1(correction[worst]):+.0f} ± {100 * total[worst]:.0f} % at "
        f"{nodes[worst]:.0f} nm"
    )
    worst_nm = float(nodes[worst])
    if abs(correction[worst]) < AGREES * total[worst]:
        return True, f"From {low:.0f} to {high:.0f} nm they agree with the response in the bench ({off}).", worst_nm
    text = (
        f"From {low:.0f} to {high:.0f} nm they do not agree with the response in the bench ({off}): "
        "measure the lamp again, and look whether window or fibre changed."
    )
    return False, text, worst_nm


def _sentences(
    lines: BranchingLines, ranges: tuple[tuple[float, float], ...], chi2: float, verdicts: list[str]
) -> tuple[str, ...]:
    ratios = len(lines.label) - len(lines.level_names)
    where = ", ".join(f"{low:.0f} to {high:.0f} nm" for low, high in ranges)
    said = [
        f"{ratios} ratios of lines from {len(lines.level_names)} levels bound the response within {where} "
        f"(chi² {chi2:.1f} per ratio)."
    ]
    if len(ranges) > 1:
        said.append("No level spans the gap: how these ranges compare with each other is not bounded.")
    said += verdicts
    said.extend(f"Left out: {one}." for one in lines.left_out)
    return tuple(said)
