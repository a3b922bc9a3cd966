"""Phosphor bands of fluorescent lamps: what they hide, what they may be taken for, and what is no band at all."""

import numpy as np
import pytest
from lamp_fleet import largest_error, make_case, spread_lines
from lamp_fleet_grating import make_case as make_grating_case
from lamp_spectra import MERCURY, NEON, axis, spectrum
from numpy.polynomial.chebyshev import chebfit

from glowledger.bench.placing import placed
from glowledger.bench.shots import prepare_shot
from glowledger.bench.solving import solve
from glowledger.spectra.frames import frames_from_arrays

GREEN_NM, GREEN_BAND_NM = 546.0735, 542.4  # the line: NIST; the band of terbium: from memory, as in the table of lamps


def cfl_shot(rng, nm, fwhm_nm, band_light):
    """A fluorescent lamp whose green band is up to a nanometre off, and wider or narrower than usual."""
    counts = spectrum(MERCURY, nm, fwhm_nm, seed=int(rng.integers(1 << 30)))
    width = np.hypot(fwhm_nm, rng.uniform(2.2, 3.8))
    where = GREEN_BAND_NM + rng.normal(0.0, 0.4)
    counts = counts + 2000.0 * spread_lines(
        nm, np.abs(np.gradient(nm)), np.full(len(nm), width), np.array([where]), np.array([band_light]), 0.0, 0.0
    )
    return prepare_shot(frames_from_arrays(np.arange(len(nm), dtype=float), counts, axis_kind="pixel"), "cfl")


@pytest.mark.parametrize("band_light", [60.0, 300.0])
def test_a_line_beside_a_band_is_no_surer_than_the_band_lets_it_be(band_light):
    rng = np.random.default_rng(5)
    nm = axis(700)
    scale = chebfit(np.linspace(-1.0, 1.0, len(nm)), nm, 5)
    ratios, errors = [], []
    for _ in range(60):
        shot = cfl_shot(rng, nm, 2.4, band_light)
        found, _ = placed([shot], scale, 0.6)
        for k in np.flatnonzero(np.abs(found.wavelength_nm - GREEN_NM) < 0.01):
            errors.append(abs(np.interp(found.u[k], shot.u, nm) - GREEN_NM))
            ratios.append(errors[-1] / found.error_nm[k])
    assert len(ratios) > 40
    assert np.quantile(ratios, 0.95) < 1.5
    assert np.median(errors) < 0.01 * 2.4


def test_there_are_no_bands_without_mercury():
    # neon called a fluorescent lamp, at its true scale: narrow red lines near the places of red bands
    nm = axis(1500)
    shot = prepare_shot(frames_from_arrays(np.arange(1500.0), spectrum(NEON, nm, 2.0), axis_kind="pixel"), "cfl")
    found, usable = placed([shot], chebfit(np.linspace(-1.0, 1.0, len(nm)), nm, 5), 0.6)
    assert np.any(~found.sharp)
    assert not np.any(~found.sharp[usable])


def test_bands_among_many_unexplained_peaks_are_placed_less_surely():
    nm = axis(1500)
    scale = chebfit(np.linspace(-1.0, 1.0, len(nm)), nm, 5)
    error = []
    for lines in ({611.6: 60.0}, {611.6: 60.0} | {w: 20.0 for w in np.arange(760.0, 980.0, 7.3)}):
        counts = spectrum(MERCURY | lines, nm, 2.0)
        shot = prepare_shot(frames_from_arrays(np.arange(1500.0), counts, axis_kind="pixel"), "cfl")
        found, _ = placed([shot], scale, 0.6)
        band = np.flatnonzero(~found.sharp & (np.abs(found.wavelength_nm - 611.6) < 1.0))
        error.append(float(found.error_nm[band[0]]))
    assert error[1] > 1.05 * error[0]


@pytest.mark.parametrize(("make", "seed"), [(make_case, 350285), (make_case, 340051), (make_grating_case, 340090)])
def test_curves_that_bands_had_bent_are_right_or_refused(make, seed):
    # the green line pulled by the band beside it; two lamps of helium, neon and argon called fluorescent: their lines
    # had been taken for bands
    case = make(seed)
    frames = frames_from_arrays(case.pixel, case.counts, axis_kind="pixel")
    result = solve([prepare_shot(frames, "cfl")], frames.axis)
    assert not result.accepted or largest_error(case, result.solution.nm(case.pixel), *result.solution.covered) < 1.0
