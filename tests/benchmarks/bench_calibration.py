"""Blind wavelength calibration over simulated fleets, beside the general-purpose calibrator rascal on the same cases.

python tests/benchmarks/bench_calibration.py [--quick] [instruments] [instruments for rascal] [first seed]

Half as many instruments of the second fleet (gratings, other strengths, strangers anywhere) follow the first one.
Ceiling: whether the data would carry a solution if somebody told which peak is which line (`carried`), and whether they
tell it without somebody (`told_apart`, a count of the scales that would fit by chance). Neither asks our solver.

Right: within a fifth of the line width everywhere between the outermost used lines. rascal is given what it needs and
ours is not: the elements, start and end of the axis to +-30 nm, and a rising axis; it is judged between the first and
last peak that lies on a line of its lamp, by the same measure.
"""

from __future__ import annotations

import collections
import importlib.util
import os
import platform
import sys
import time
import warnings
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "simulators"))

import numpy as np
import scipy
from lamp_fleet import LAMPS, Case, largest_error, make_case
from lamp_fleet_grating import make_case as make_grating_case
from scipy.signal import find_peaks
from scipy.stats import binom

from glowledger.bench.model import WavelengthSolution
from glowledger.bench.outcome import curve_error_nm
from glowledger.bench.shots import prepare_shot
from glowledger.bench.solving import solve
from glowledger.errors import GlowledgerError
from glowledger.spectra.frames import frames_from_arrays
from glowledger.tables.lamps import lamp_lines

FIRST_SEED = 5000
ENOUGH_LINES = 9  # told apart and ten times above the noise
ELEMENTS = {"cfl": ("Hg", "Ar"), "hg-ar": ("Hg", "Ar"), "h2": ("H",)}
BRIGHTEST, TRIES, DEGREE = 40, 2000, 3
SHAPE_ERROR, ALONE, FEWEST = 0.015, 1.0, 4  # of the FWHM; lines
# spread of Chebyshev coefficients over the span: how crooked the instruments of the fleets are, and a little more
CROOKED = np.array([1.0, 1.0, 0.02, 0.005, 0.001])
NINE = 9  # places between the outermost used lines at which stated errors are compared with true ones


def ratios(case: Case, solution: WavelengthSolution) -> np.ndarray:
    """Return true over stated error of a solution at places between its outermost used lines."""
    at = np.linspace(*solution.covered, NINE)
    true = np.interp(at, case.pixel, case.wavelength_nm)
    return np.abs(solution.nm(at) - true) / curve_error_nm(solution, at)


def ours(case: Case, honest: list[np.ndarray]) -> tuple[str, float]:
    """Return right, wrong or refused, and processor seconds; add to `honest` true over stated errors."""
    frames = frames_from_arrays(case.pixel, case.counts, axis_kind="pixel")
    start = time.process_time()
    try:
        result = solve([prepare_shot(frames, case.lamp)], frames.axis)
    except GlowledgerError:
        return "refused", time.process_time() - start
    seconds = time.process_time() - start
    if not result.accepted or result.solution is None:
        return "refused", seconds
    honest.append(ratios(case, result.solution))
    error = largest_error(case, result.solution.nm(case.pixel), *result.solution.covered)
    return ("right" if error < 1.0 else "wrong"), seconds


def carried(case: Case) -> bool:
    """Return whether four lines or more hold a curve to a fifth of the line width (3 sigma), true associations given.

    Lines of the lamp ten times above the noise with no other one of a twentieth within a line width. Where the light of
    phosphor bands or strangers, of which nobody knows the places, slopes by g across a Gaussian line of height h, its
    top moves by g s^2 / h.
    """
    order = np.argsort(case.wavelength_nm)
    nm, u = case.wavelength_nm[order], np.linspace(-1.0, 1.0, len(case.pixel))
    width = np.interp(case.line_nm, nm, case.fwhm_nm[order])
    step = np.interp(case.line_nm, nm, np.gradient(nm))
    noise = np.interp(case.line_nm, nm, case.noise_at[order])
    height = case.line_counts * step / (1.06 * width)
    gap = np.abs(case.line_nm[:, None] - case.line_nm[None, :]) / width[:, None]
    gap[case.line_counts[None, :] < 0.05 * case.line_counts[:, None]] = np.inf
    np.fill_diagonal(gap, np.inf)
    good = (height > 10.0 * noise) & (np.min(gap, axis=1) > ALONE)
    good &= (case.line_nm > nm[0]) & (case.line_nm < nm[-1])
    if np.count_nonzero(good) < FEWEST:
        return False
    slope = np.abs(np.gradient((case.band_light + case.strange_light)[order]) / np.gradient(nm))
    pulled = np.interp(case.line_nm, nm, slope) * (width / 2.355) ** 2 / np.maximum(height, 1e-9)
    chosen = np.flatnonzero(good)[np.argsort(case.line_nm[good])]
    at, width, height, step, noise, pulled = (
        values[chosen] for values in (case.line_nm, width, height, step, noise, pulled)
    )
    counted = 0.6 * noise / height / np.sqrt(width / step)  # photon centroid, roughly
    sigma = np.hypot(width * np.hypot(SHAPE_ERROR, counted), pulled)
    basis = np.polynomial.chebyshev.chebvander(np.interp(at, nm, u), 4)
    prior = np.diag(1.0 / (CROOKED * np.ptp(nm)) ** 2)
    covariance = np.linalg.inv((basis / sigma[:, None] ** 2).T @ basis + prior)
    run, longest = 1, 1
    for k in range(len(at) - 1):
        places = np.polynomial.chebyshev.chebvander(np.interp(np.linspace(at[k], at[k + 1], 9), nm, u), 4)
        error = np.sqrt(np.einsum("ij,jk,ik->i", places, covariance, places))
        run = run + 1 if 3.0 * np.max(error) < 0.2 * min(width[k], width[k + 1]) else 1
        longest = max(longest, run)
    return longest >= FEWEST


def told_apart(case: Case) -> bool:
    """Return whether the peaks tell the right scale: by chance, fewer than 0.01 wrong ones would fit as well.

    All distinguishable scales of the fleet (start, end, bend, twist, direction, in cells of half a line width) times
    the chance that as many as there are peaks of the lamp, of these and the peaks of strangers, fall within a quarter
    of a line width of some line of the lamp's table (binomial): which peaks are strangers' nobody knows. Peaks are
    counted and not lines: however many lines make one peak, or hide in its flank, it has one place, and its chance to
    lie on a line is taken once. Brightness, the shape of blends and what is dark are not counted, so more may be told
    apart than this says.
    """
    low, high = float(np.min(case.wavelength_nm)), float(np.max(case.wavelength_nm))
    cell, span = 0.5 * float(np.median(case.fwhm_nm)), high - low
    scales = 2.0 * np.prod([max(size / cell, 1.0) for size in (330.0, 550.0, 0.08 * span, 0.02 * span)])
    listed = lamp_lines(case.lamp, secondary=True).wavelength_nm
    listed = np.sort(listed[(listed > low) & (listed < high)])
    distinct = 1 + np.count_nonzero(np.diff(listed) > 2.0 * cell) if len(listed) else 0
    chance = -np.expm1(-cell * distinct / span)
    own, strange = peaks_of_lamp_and_strangers(case)
    by_chance = binom.logsf(own - 1, own + strange, chance)
    return bool(np.log(scales) + by_chance < np.log(0.01))


def peaks_of_lamp_and_strangers(case: Case) -> tuple[int, int]:
    """Return how many peaks of the lamp's lines and of strangers rise ten times above the noise.

    In the light before noise and clipping. A peak on a phosphor band is the line's that makes it, if one does.
    """
    parts = np.array([case.own_light, case.strange_light, case.band_light])
    peaks, _ = find_peaks(np.sum(parts, axis=0), prominence=10.0 * case.noise_at)
    strange = np.argmax(parts[:, peaks], axis=0) == 1
    lines, _ = find_peaks(case.own_light, prominence=10.0 * case.noise_at)
    half_px = 0.5 * case.fwhm_nm[peaks] / np.abs(np.gradient(case.wavelength_nm))[peaks]
    of_line = np.any(np.abs(peaks[:, None] - lines[None, :]) < half_px[:, None], axis=1)
    return int(np.count_nonzero(of_line & ~strange)), int(np.count_nonzero(strange))


def theirs(case: Case) -> tuple[str, float]:
    """Return right, wrong or refused for rascal with tuned settings, and processor seconds."""
    from rascal.atlas import Atlas
    from rascal.calibrator import Calibrator
    from rascal.util import refine_peaks

    counts = case.counts if case.wavelength_nm[-1] > case.wavelength_nm[0] else case.counts[::-1]
    nm = np.sort(case.wavelength_nm)
    elements = ELEMENTS.get(case.lamp, tuple(part.capitalize() for part in case.lamp.split(",")))
    rng = np.random.default_rng(case.seed)
    low, high = 10 * (nm[0] + rng.uniform(-30, 30)), 10 * (nm[-1] + rng.uniform(-30, 30))
    start = time.process_time()
    try:
        found, facts = find_peaks(counts, prominence=300, distance=5)
        found = found[np.argsort(-facts["prominences"])[:30]]
        peaks = refine_peaks(counts, np.sort(found), window_width=5)
        calibrator = Calibrator(peaks, spectrum=counts)
        calibrator.set_calibrator_properties(num_pix=len(counts), log_level="critical")
        calibrator.set_hough_properties(
            num_slopes=5000, xbins=200, ybins=200, min_wavelength=low, max_wavelength=high, range_tolerance=300.0,
            linearity_tolerance=250.0,
        )  # fmt: skip
        atlas = Atlas(min_atlas_wavelength=low - 300, max_atlas_wavelength=high + 300)
        for element in elements:
            atlas.add(
                element, min_atlas_wavelength=low - 300, max_atlas_wavelength=high + 300,
                brightest_n_lines=BRIGHTEST,
            )  # fmt: skip
        calibrator.set_atlas(atlas, constrain_poly=True)
        calibrator.set_ransac_properties(filter_close=True, ransac_tolerance=10.0)
        calibrator.do_hough_transform()
        fit = calibrator.fit(max_tries=TRIES, fit_deg=DEGREE, progress=False)[0]
    except Exception:  # whatever it raises, it gives no solution
        return "refused", time.process_time() - start
    seconds = time.process_time() - start
    if fit is None:
        return "refused", seconds
    solved = np.polynomial.polynomial.polyval(case.pixel, fit) / 10.0
    inside = on_lines(peaks, nm, case)
    if len(inside) < 2:
        return "refused", seconds
    part = slice(int(inside[0]), int(inside[-1]) + 1)
    width = np.median(case.fwhm_nm)
    return ("right" if np.max(np.abs(solved - nm)[part]) < width / 5 else "wrong"), seconds


def on_lines(peaks: np.ndarray, nm: np.ndarray, case: Case) -> np.ndarray:
    """Return the peaks that truly lie on a line of the lamp."""
    at = np.interp(peaks, case.pixel, nm)
    lines = lamp_lines(case.lamp).wavelength_nm
    near = np.min(np.abs(at[:, None] - lines[None, :]), axis=1) < 0.3 * np.median(case.fwhm_nm)
    return np.asarray(peaks)[near]


def report(title: str, rows: list[tuple[Case, str, float]]) -> None:
    """Print one table: by lamp, then in all."""
    print(f"\n{title}")
    head = ("right", "refused", "wrong", "of ceiling", "median s", "longest s")
    print(f"{'lamp':10s} {head[0]:>6s} {head[1]:>8s} {head[2]:>6s} {head[3]:>14s} {head[4]:>9s} {head[5]:>10s}")
    for lamp in (*LAMPS, "all"):
        chosen = [row for row in rows if lamp in (row[0].lamp, "all")]
        if not chosen:
            continue
        count = collections.Counter(outcome for _, outcome, _ in chosen)
        could = [outcome for case, outcome, _ in chosen if carried(case) and told_apart(case)]
        ceiling = f"{could.count('right')}/{len(could)}"
        times = [seconds for _, _, seconds in chosen]
        print(
            f"{lamp:10s} {count['right']:6d} {count['refused']:8d} {count['wrong']:6d} {ceiling:>14s} "
            f"{np.median(times):9.2f} {max(times):10.2f}"
        )
    seconds = np.array([seconds for _, _, seconds in rows])
    print(f"95 % within {np.quantile(seconds, 0.95):.2f} s; within 0.5 s: {100.0 * np.mean(seconds <= 0.5):.1f} %")


def tell_honesty(honest: list[np.ndarray]) -> None:
    """Print how true errors compare with stated ones; normal errors give 1.00, 1.96, 2.58."""
    if honest:
        told = np.quantile(np.concatenate(honest), [0.683, 0.95, 0.99])
        parts = ", ".join(f"{share} % within {z:.2f}" for share, z in zip((68, 95, 99), told, strict=True))
        print(f"true over stated error of the curve: {parts}")


def main() -> None:
    """Run the fleets."""
    warnings.simplefilter("ignore")
    numbers = [int(word) for word in sys.argv[1:] if word != "--quick"]
    defaults = (13, 1, FIRST_SEED) if "--quick" in sys.argv else (104, 12, FIRST_SEED)
    instruments, beside, first = [*numbers, *defaults[len(numbers) :]]
    print(f"Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}")
    honest: list[np.ndarray] = []
    rows = [(case, *ours(case, honest)) for case in map(make_case, range(first, first + instruments))]
    enough = [row for row in rows if row[0].visible >= ENOUGH_LINES and np.median(row[0].fwhm_nm) <= 4.0]
    report(f"glowledger, all {len(rows)} instruments (too few lines and 15 nm line widths among them)", rows)
    report(f"glowledger, {len(enough)} instruments with {ENOUGH_LINES} lines or more and 4 nm or finer", enough)
    tell_honesty(honest)
    honest = []
    fleet = map(make_grating_case, range(first, first + instruments // 2))
    gratings = [(case, *ours(case, honest)) for case in fleet]
    report(f"glowledger, {len(gratings)} instruments of the second fleet", gratings)
    tell_honesty(honest)
    if beside and importlib.util.find_spec("rascal") is None:
        print("\nrascal is not installed (pip install -e '.[bench]'): left out")
    elif beside:
        import rascal

        version = getattr(rascal, "__version__", "unknown")
        same = [row[0] for row in enough[:beside]]
        report(f"glowledger, the first {len(same)} with {ENOUGH_LINES} lines or more", enough[: len(same)])
        report(f"rascal {version}, the same", [(case, *theirs(case)) for case in same])


if __name__ == "__main__":
    main()
