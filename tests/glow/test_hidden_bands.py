"""Nitrogen whose brightest bands a window hides, by no bench: the bands that are left must be enough."""

import glow_emission
import numpy as np
import pytest
from glow_emission import Nature
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow.identifying import identify_frame
from glowledger.glow.starting import guessed_line_spread
from glowledger.spectra.frames import frames_from_arrays


@pytest.fixture
def red_nitrogen(monkeypatch):
    """Let nitrogen glow mostly in its first positive bands, as at low fields (common practice, no source)."""

    def draw(share, t_vib, ions, instrument, seed):
        systems = (("N2 second positive", 1.0 - share, 0.3), ("N2 first positive", share, 0.3))
        monkeypatch.setitem(glow_emission.SYSTEMS, "N2", systems)
        monkeypatch.setitem(glow_emission.T_VIB, "N2 first positive", t_vib)
        photons = 2e7 / instrument.counts_per_e
        mixture = {"N2": photons, "N2+": ions * photons} if ions else {"N2": photons}
        counts, nm, _ = simulate(mixture, instrument, seed, nature=Nature(t_rot_default=500.0, whole=True))
        return frames_from_arrays(nm, counts)

    return draw


@pytest.mark.parametrize("seed", [300, 303, 307])
def test_nitrogen_behind_acrylic_is_not_taken_for_fluorine_neon_and_calcium(red_nitrogen, seed):
    """The brightest band, at 337 nm, is not seen; tied to that nothing, no other level could take its light."""
    instrument = Instrument(range_nm=(300.0, 800.0), fwhm_nm=(1.2, 1.4), window="acrylic")
    fit = identify_frame(red_nitrogen(0.9, 7000.0, 0.03, instrument, seed))
    present = {e.name for e in fit.species if e.verdict == "present"}
    assert "N2" in present
    assert present <= {"N2", "N2+"}
    assert abs(fit.shift_nm) < 0.7


def test_lines_are_found_narrow_where_bands_hide_their_width(red_nitrogen):
    """Peaks of bands 4.7 nm wide are all there is to guess by; of lines of 1.9 nm bands look colder by a tenth."""
    instrument = Instrument(range_nm=(520.0, 900.0), fwhm_nm=(1.3, 1.3), window="acrylic", bend=(6.0, 1.0))
    widths, heats = [], []
    for seed in range(300, 304):
        frames = red_nitrogen(0.98, 8000.0, 0.0, instrument, seed)
        assert guessed_line_spread(frames).fwhm_nm[0] > 4.0
        fit = identify_frame(frames)
        widths.append(fit.fwhm_nm)
        heats.extend(t.kelvin for t in fit.temperatures)
    assert np.mean(widths) == pytest.approx(1.3, rel=0.1)
    assert np.mean(heats) == pytest.approx(500.0, rel=0.04)
