"""Fits that went astray, from a line width guessed by bands that are far wider than a line."""

import pytest
from glow_emission import Nature
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.identifying import identify_frame
from glowledger.spectra.frames import frames_from_arrays

SHARP = Instrument(pixels=1000, range_nm=(200.0, 400.0), fwhm_nm=(0.45, 0.45), bend=(0.0, 0.0), tail=0.0, wing=0.0)
HOT_CYANOGEN = {"CN": 3e7, "N2": 6e6, "N2+": 6e5}
HOT_HYDROXYL = {"OH": 3e7, "Ar I": 1e5}


@pytest.mark.parametrize(
    ("mixture", "kelvin", "seed"), [(HOT_CYANOGEN, 3000.0, 1), (HOT_CYANOGEN, 3000.0, 3), (HOT_HYDROXYL, 2500.0, 2)]
)
def test_bands_without_lines_among_them_are_fitted_with_narrow_lines(mixture, kelvin, seed):
    counts, nm, _ = simulate(
        mixture, SHARP, seed, background_share=0.02, whole=True, nature=Nature(t_rot_default=kelvin)
    )
    fit = identify_frame(frames_from_arrays(nm, counts))
    found = {one.name: one for one in fit.species}
    for name in mixture:
        if name != "Ar I":  # too faint between these bands
            assert found[name].verdict == "present", found[name].reason
    assert fit.fwhm_nm < 0.8
    assert found["Ne I"].verdict != "present"
