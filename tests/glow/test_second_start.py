"""Fits that went astray, from a line width guessed by bands that are far wider than a line."""

import pytest
from glow_emission import Nature
from glow_instrument import Instrument
from glow_simulator import simulate

from glowledger.glow import identifying
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


@pytest.mark.parametrize("seed", [6, 10])
def test_light_left_over_tells_that_bands_were_fitted_with_lines_far_too_wide(seed):
    """Light of carbon monoxide behind glass, no line in it: the widest guess settles where it began."""
    bench = Instrument(
        pixels=900, range_nm=(200.0, 450.0), fwhm_nm=(1.3, 1.3), bend=(0.0, 0.0), wing=0.03, window="soda lime"
    )
    mixture = {"CO": 3e7, "CO+": 3e7, "NH": 2e6, "CN": 6e6}
    counts, nm, _ = simulate(mixture, bench, seed, background_share=0.02, whole=True)
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert 1.1 < fit.fwhm_nm < 1.6
    for one in fit.species:
        assert one.name not in ("CO", "CO+", "CN") or one.verdict == "present", one.reason


def test_lines_among_the_many_of_hydrogen_are_not_as_narrow_as_noise_on_them():
    bench = Instrument(
        pixels=3648, range_nm=(380.0, 780.0), fwhm_nm=(1.9, 1.9), bend=(0.0, 0.0), slit_share=0.9, wing=0.02,
        window="acrylic",
    )  # fmt: skip
    counts, nm, _ = simulate({"H I": 3e5, "CH": 6e4, "H2": 4.5e4}, bench, 1, background_share=0.02, whole=True)
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert 1.6 < fit.fwhm_nm < 2.2
    assert next(one.verdict for one in fit.species if one.name == "CH") == "present"


def test_light_of_species_that_were_not_asked_for_is_no_sign_of_a_fit_astray(monkeypatch):
    bench = Instrument(pixels=1000, range_nm=(250.0, 900.0), fwhm_nm=(1.6, 1.6))
    counts, nm, _ = simulate({"Ar I": 2e6, "N2": 2e6, "H I": 1e6}, bench, 3, background_share=0.02)
    frames, begun = frames_from_arrays(nm, counts), []
    whole = identifying._fits
    monkeypatch.setattr(identifying, "_fits", lambda *a, **k: (begun.append(k.get("tried", False)), whole(*a, **k))[1])
    identify_frame(frames, species=["Ar I", "OH"])
    assert not any(begun)
