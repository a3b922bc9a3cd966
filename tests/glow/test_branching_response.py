"""The response from branching ratios, on simulated glows whose response is known."""

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate
from numpy.testing import assert_allclose

from glowledger.bench.model import Bench, Response
from glowledger.errors import CalibrationError, FitError
from glowledger.glow.branching_lines import absorbed_part
from glowledger.glow.branching_response import branching_response
from glowledger.glow.response_guess import expected_response
from glowledger.spectra.frames import frames_from_arrays
from glowledger.tables import atoms

GLOW = {"Ar I": 2e7, "N2": 1e7}


def glow(instrument, seed, mixture=GLOW):
    counts, nm, _ = simulate(mixture, instrument, seed)
    return frames_from_arrays(nm, counts)


def measured(instrument, tilt=0.0):
    """A response as a lamp would give it; `tilt` is its error in ln over 100 nm."""
    nm = np.linspace(310.0, 920.0, 120)
    value = instrument.response(nm) * np.exp(tilt * (nm - 400.0) / 100.0)
    return Bench(
        pixels=instrument.pixels,
        response=Response(
            at_nm=nm, value=value / value.max(), relative_error=np.full(120, 0.05), usable_nm=(310.0, 920.0)
        ),
    )


@pytest.fixture(scope="module")
def blue_weak():
    """A spectrometer that falls towards the blue more than guessed, its glow and what branching says."""
    instrument = Instrument(range_nm=(300.0, 930.0), best_nm=620.0, breadth=0.30)
    return instrument, branching_response(glow(instrument, 3))


@pytest.mark.parametrize(("best_nm", "breadth", "seed"), [(620.0, 0.30, 4), (500.0, 0.42, 5), (580.0, 0.42, 6)])
def test_the_response_of_bands_is_recovered_within_its_error(best_nm, breadth, seed):
    instrument = Instrument(range_nm=(300.0, 930.0), best_nm=best_nm, breadth=breadth)
    found = branching_response(glow(instrument, seed, {"N2": 2e7, "N2+": 2e6}))
    low, high = found.response.usable_nm
    assert low < 340.0
    assert high > 400.0
    nm = np.linspace(low, high, 60)

    def off(curve):
        left = np.log(curve(nm) / instrument.response(nm))
        return left - np.log(
            curve(np.array([found.reference_nm])) / instrument.response(np.array([found.reference_nm]))
        )

    z = off(found.response.at) / np.interp(nm, found.response.at_nm, found.response.relative_error)
    assert np.sqrt(np.mean(z**2)) < 2.0
    assert np.max(np.abs(z)) < 3.5
    assert np.std(off(found.response.at)) < 0.12  # N2 C-B branching is good to 5 % per band (Gilmore et al. 1992)


def test_a_wrong_guess_is_corrected(blue_weak):
    instrument, found = blue_weak
    nm = np.linspace(*found.response.usable_nm, 60)
    ours = np.log(found.response.at(nm) / instrument.response(nm))
    guess = np.log(expected_response(nm, None) / instrument.response(nm))
    assert np.std(ours) < 0.6 * np.std(guess)


def test_ranges_that_nothing_ties_together_are_said_to_be_apart(blue_weak):
    _, found = blue_weak
    assert len(found.ranges_nm) == 2  # bands of N2 end near 460 nm, lines of Ar I begin in the red
    assert any("not bounded" in text for text in found.sentences)
    gap = 0.5 * (found.ranges_nm[0][1] + found.ranges_nm[1][0])
    inside = np.interp(found.reference_nm, found.response.at_nm, found.response.relative_error)
    assert np.interp(gap, found.response.at_nm, found.response.relative_error) > 3 * inside


def test_lines_that_metastables_absorb_are_left_out(blue_weak):
    # 811.5, 763.5, 801.5 and 912.3 nm end on Ar 1s5 (Schulze et al., J. Phys. D 41, 065206 (2008), from memory)
    _, found = blue_weak
    text = " ".join(found.sentences)
    for line in ("763.51", "801.48", "811.53", "912.30"):
        assert line in text
        assert f"Ar I {line}" not in found.lines.label


def test_a_right_response_is_confirmed_and_a_tilted_one_is_not():
    instrument = Instrument(range_nm=(300.0, 930.0))
    frames = glow(instrument, 4, {"N2": 2e7, "N2+": 1e6})
    good = branching_response(frames, measured(instrument))
    assert good.agrees is True
    wrong = branching_response(frames, measured(instrument, tilt=1.2))
    assert wrong.agrees is False
    assert "do not agree" in " ".join(wrong.sentences)


def test_a_glow_without_argon_or_nitrogen_cannot_tell():
    with pytest.raises(CalibrationError, match="two or more lines"):
        branching_response(glow(Instrument(range_nm=(300.0, 930.0)), 5, {"H I": 1e7, "O I": 3e6}))


def test_a_pixel_axis_is_refused():
    with pytest.raises(FitError):
        branching_response(frames_from_arrays(np.arange(500.0), np.ones(500), axis_kind="pixel"))


def test_absorption_at_the_centre_of_a_line():
    # Mitchell & Zemansky (1934): k0 = λ0² g_u A / (8 π^1.5 g_l ν_D / λ...), worked by hand for Ar 811.531 nm,
    # A = 3.31e7, g 7/5, v = 456 m/s, N = 1e15 m⁻²: λ³ = 5.345e-19, τ = 5.345e-19·1.4·3.31e7·1e15/(44.55·456) = 1.219
    table = atoms.load().select("Ar I")
    row = int(np.argmin(np.abs(table.wavelength_nm - 811.531)))
    assert_allclose(absorbed_part(table, row), 1.219 / (1.219 + np.sqrt(8.0)), rtol=0.01)
    weak = int(np.argmin(np.abs(table.wavelength_nm - 667.728)))
    assert absorbed_part(table, weak) < 0.01


@pytest.mark.parametrize(("through", "verdict"), [(False, "cannot tell"), (True, "not seen")])
def test_a_bare_lamp_says_nothing_of_what_the_window_blocks(through, verdict):
    # CN at 388 nm is looked for behind a port of unknown material, in a glow that shows nothing where its bands lie
    from glowledger.glow.identifying import identify_frame

    instrument = Instrument(range_nm=(340.0, 930.0), window="none", second_order=0.0, stray=0.0)
    counts, nm, _ = simulate({"Na I": 1e7}, instrument, 8, background_share=0.0)
    curve = measured(instrument).response
    response = Response(
        at_nm=curve.at_nm, value=curve.value, relative_error=curve.relative_error, usable_nm=(345.0, 920.0),
        includes_window=through,
    )  # fmt: skip
    fit = identify_frame(frames_from_arrays(nm, counts), bench=Bench(pixels=nm.size, response=response))
    assert next(one for one in fit.species if one.name == "CN").verdict == verdict
