"""The detector as measured from frames at hand; whatever they do not tell is said to be assumed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.applying import calibrated
from glowledger.bench.detector_darks import DarkReport, dark_report
from glowledger.bench.detector_gain import transfer_gain
from glowledger.bench.detector_linearity import Linearity, between, linearity
from glowledger.bench.model import Bench
from glowledger.bench.stray_light import blocked_to_nm, second_order, stray_fraction
from glowledger.rounding import plus_minus
from glowledger.spectra.averaging import mean_frame
from glowledger.spectra.darks import subtract_dark
from glowledger.spectra.frames import Detector, Frames
from glowledger.spectra.noise import SMOOTHED, NoiseEstimate, estimate_noise, variance

Floats = NDArray[np.float64]

TOLD_SIGMA = 3.0  # standard errors above nothing at which a variance is told


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DetectorReport:
    """What was measured of a detector; None where the frames do not tell.

    Attributes
    ----------
    detector : Detector
        For the bench: only what was measured.
    gain_se, read_noise_se : float
        Standard errors, counts per electron and counts; NaN where not measured.
    dark : DarkReport or None
        From dark frames.
    linearity : Linearity or None
        From a series of exposures.
    stray, second_order : tuple or None
        Fraction and standard error; for the second order also how many lines agree.
    sentences, assumed : tuple of str
        What was found, and what has to be assumed.
    """

    detector: Detector
    gain_se: float
    read_noise_se: float
    dark: DarkReport | None
    linearity: Linearity | None
    stray: tuple[float, float] | None
    second_order: tuple[float, float, int] | None
    sentences: tuple[str, ...]
    assumed: tuple[str, ...]

    @property
    def hot_pixels(self) -> tuple[int, ...]:
        """Pixels that are high without light."""
        return () if self.dark is None else self.dark.hot


def measure_detector(
    light: tuple[Frames, ...],
    dark: Frames | None = None,
    bench: Bench | None = None,
    dark_below_nm: float | None = None,
) -> DetectorReport:
    """Measure what raw frames tell of the detector.

    Parameters
    ----------
    light : tuple of Frames
        Raw frames of a steady source, one file each: repeated, or at several exposures. May be empty.
    dark : Frames, optional
        Raw dark frames.
    bench : Bench, optional
        For wavelengths: scattered light and second order need them.
    dark_below_nm : float, optional
        Wavelength below which no light can arrive; the window of the bench tells it otherwise.

    Returns
    -------
    DetectorReport

    Raises
    ------
    ReadError
        If light and dark have different axes.
    """
    if dark is not None:
        for one in light:
            subtract_dark(one[:1], dark[:1])  # refuses a dark of another detector
    said: list[str] = []
    assumed: list[str] = []
    darks = None if dark is None else dark_report(dark)
    if darks is not None:
        said.extend(darks.sentences())
    else:
        assumed.append("No dark frames: the darkest pixels stand for the dark, and hot pixels are not known.")
    gain, gain_se, read, read_se = _gain_and_read(light, dark, darks, said, assumed)
    ceiling = _ceiling(light, said, assumed)
    line = _linearity(light, dark, ceiling)
    if line is None:
        assumed.append("Linear up to the ceiling is assumed: a series of four or more known exposures would tell.")
    else:
        said.append(line.sentence())
        if line.linear_to_counts is not None:
            ceiling = line.linear_to_counts
    stray, ghost = _stray(light, dark, bench, dark_below_nm, said, assumed)
    return DetectorReport(
        detector=Detector(ceiling_counts=ceiling, counts_per_electron=gain, read_noise_counts=read),
        gain_se=gain_se, read_noise_se=read_se, dark=darks, linearity=line, stray=stray, second_order=ghost,
        sentences=tuple(said), assumed=tuple(assumed),
    )  # fmt: skip


def in_bench(bench: Bench, report: DetectorReport) -> Bench:
    """Return the bench with what was measured; what was not stays as it was."""
    new = {
        name: value
        for name in ("ceiling_counts", "counts_per_electron", "read_noise_counts")
        if (value := getattr(report.detector, name)) is not None
    }
    stray = bench.stray_fraction
    if report.stray is not None:
        stray = max(report.stray[0], 0.0)
    return replace(
        bench, detector=replace(bench.detector, **new), stray_fraction=stray,
        hot_pixels=bench.hot_pixels if report.dark is None else report.hot_pixels,
    )  # fmt: skip


def _steadiest(light: tuple[Frames, ...]) -> Frames | None:
    """Return the file with most frames of one exposure; None where none was repeated."""
    repeated = [one for one in light if len(one) >= 2 and _one_exposure(one)]
    return max(repeated, key=len) if repeated else None


def _one_exposure(frames: Frames) -> bool:
    known = frames.exposure_s[np.isfinite(frames.exposure_s)]
    return known.size == 0 or float(np.ptp(known)) <= 0.01 * float(known.mean())


def _gain_and_read(
    light: tuple[Frames, ...], dark: Frames | None, darks: DarkReport | None, said: list[str], assumed: list[str]
) -> tuple[float | None, float, float | None, float]:
    """Return gain and read noise with standard errors; None where the frames do not tell."""
    gain, gain_se, read, read_se = None, float("nan"), None, float("nan")
    if darks is not None and np.isfinite(darks.read_noise_counts):
        read, read_se = darks.read_noise_counts, darks.read_noise_se
    steady = _steadiest(light)
    if steady is None:
        assumed.append("Gain is not measured: repeated frames of a steady light would tell.")
    else:
        noise = estimate_noise(steady if dark is None else _above_dark(steady, dark))
        if noise.neighbour_correlation > SMOOTHED:
            said.append("Neighbouring pixels share their noise: the spectra were smoothed before they were written.")
        if dark is not None and read is not None:
            found = transfer_gain(steady, subtract_dark(steady, dark).counts, read)
        elif noise.gain_assumed:
            found = None
        else:
            found = (float(noise.detector.counts_per_electron or 0.0), noise.counts_per_electron_se)
        if found is None:
            assumed.append("The frames do not tell the gain: a usual full well is assumed for photon noise.")
        else:
            gain, gain_se = found
            said.append(f"Photon noise as of {plus_minus(gain, gain_se, 'counts per electron')} (photon transfer).")
        if read is None:
            read, read_se = _from_light(noise, dark is not None, said)
    if read is None:
        assumed.append("Read noise is not measured: two or more dark frames would tell.")
    return gain, gain_se, read, read_se


def _above_dark(steady: Frames, dark: Frames) -> Frames:
    """Return light frames that know from which counts photon noise is counted, of frames and pixels the middle."""
    level = np.median(np.where(dark.mask, np.nan, dark.counts)[:, ~dark.mask.any(axis=0)])
    known = np.isfinite(level) and steady.detector.offset_counts is None
    return replace(steady, detector=replace(steady.detector, offset_counts=float(level))) if known else steady


def _from_light(noise: NoiseEstimate, above_dark: bool, said: list[str]) -> tuple[float | None, float]:
    """Return the read noise that light frames tell, with its standard error; None where they only bound it.

    Where no dark says how much light the darkest pixels hold, its photon noise passes for read noise; and where
    photon noise is the larger part everywhere, little is left of it to be told.
    """
    read, error = noise.detector.read_noise_counts, noise.read_noise_se
    if read is None:
        return None, float("nan")
    square, square_se = read**2, 2.0 * read * error
    if above_dark and square > TOLD_SIGMA * square_se:
        said.append(f"Read noise {plus_minus(read, error, 'counts')} in one exposure, from the light frames.")
        return read, error
    most = float(np.sqrt(square + 2.0 * square_se)) if np.isfinite(square_se) else read
    said.append(f"Read noise is at most {most:.2g} counts in one exposure, by the light frames.")
    return None, float("nan")


def _ceiling(light: tuple[Frames, ...], said: list[str], assumed: list[str]) -> float | None:
    seen = [one.detector.ceiling_counts for one in light if one.detector.ceiling_counts is not None]
    if seen:
        said.append(f"Saturated at {min(seen):g} counts.")
        return float(min(seen))
    if light:
        top = max(float(one.counts.max()) for one in light)
        assumed.append(f"The ceiling was not reached (highest: {top:g} counts); it is taken from each file that does.")
    return None


def _linearity(light: tuple[Frames, ...], dark: Frames | None, ceiling: float | None) -> Linearity | None:
    """Put files and frames together as one series of exposures."""
    known = [one for one in light if np.all(np.isfinite(one.exposure_s))]
    if not known or len({one.axis.shape for one in known}) > 1:
        return None
    first = known[0]
    mask = np.concatenate([one.mask for one in known])
    counts = np.concatenate([one.counts for one in known])
    joined = replace(
        first, counts=counts, mask=mask & ~(counts > 0),  # saturated values are judged here, not left out
        time_s=np.concatenate([one.time_s for one in known]),
        exposure_s=np.concatenate([one.exposure_s for one in known]),
        averages=np.concatenate([one.averages for one in known]), origins=(), known_variance=None,
    )  # fmt: skip
    if dark is None or dark.axis.shape != joined.axis.shape:
        return linearity(joined, np.quantile(joined.counts, 0.02, axis=1, keepdims=True), ceiling)
    scaled = linearity(joined, joined.counts - subtract_dark(joined, dark).counts, ceiling)
    unknown = ~np.isfinite(dark.exposure_s)
    if scaled is None or np.unique(np.round(dark.exposure_s[~unknown], 9)).size > 1:
        return scaled
    # darks of one exposure do not tell what of them grows with it: the truth lies between all and nothing
    plain = replace(dark, exposure_s=np.full(len(dark), np.nan))
    return between(scaled, linearity(joined, joined.counts - subtract_dark(joined, plain).counts, ceiling))


def _stray(
    light: tuple[Frames, ...], dark: Frames | None, bench: Bench | None, below: float | None, said: list[str],
    assumed: list[str],
) -> tuple[tuple[float, float] | None, tuple[float, float, int] | None]:  # fmt: skip
    """Measure scattered light and second order where wavelengths and a dark allow."""
    why = "Scattered light 0.1 ± 0.1 % of all light is assumed where it matters: "
    if not light or dark is None or (bench is None and light[0].axis_kind == "pixel"):
        assumed.append(f"{why}to measure it takes light frames, darks, and a bench with wavelengths.")
        return None, None
    one = max(light, key=len)
    frames = subtract_dark(one, dark)
    if bench is not None and bench.solution is not None:
        frames = calibrated(frames, bench)
    mean = mean_frame(frames)
    added = 0.0 if frames.added_variance is None else frames.added_variance
    each = (variance(frames) - added).mean(axis=0) / len(frames) + added
    axis, counts = mean.axis, np.where(mean.mask[0], np.nan, mean.counts[0])
    edge = below if below is not None else (None if bench is None else blocked_to_nm(axis, bench))
    stray = None if edge is None else stray_fraction(axis, counts, each, edge)
    if stray is None and edge is not None:
        assumed.append(f"{why}too few pixels lie below {edge:.0f} nm, where no light can come.")
    elif stray is None:
        assumed.append(f"{why}nothing says below which wavelength no light can come (--window in 'response').")
    else:
        said.append(
            f"Scattered light {plus_minus(100 * stray[0], 100 * stray[1], '%')} of all light, "
            f"from pixels below {edge:.0f} nm."
        )
    step = float(np.median(np.diff(axis)))
    known = bench is not None and bench.line_spread is not None
    width = bench.line_spread.fwhm(axis) if known else np.full(axis.size, 3 * step)  # type: ignore[union-attr]
    ghost = second_order(axis, counts, each, width)
    if ghost is None:
        assumed.append("Second order is not measured: no clear line has its double wavelength on the axis.")
    elif ghost[2] < 2 or ghost[0] < 3 * ghost[1]:
        said.append(f"Second order is at most {100 * (ghost[0] + 2 * ghost[1]):.2g} % of a line.")
    else:
        part = plus_minus(100 * ghost[0], 100 * ghost[1], "%")
        said.append(f"Second order {part} of a line ({ghost[2]} lines agree).")
    return stray, ghost
