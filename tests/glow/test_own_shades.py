"""Short-wave and long-wave light of one gas, frame by frame, through a window on which a film grows.

Simulated with `tests/simulators`, which share no code with the measurement; the film is a plain power of wavelength.
"""

import numpy as np
import pytest
from glow_emission import GRID_NM, Nature, species_photons
from glow_instrument import Instrument, detect, record

from glowledger.glow.own_shades import LONG_NM, SHORT_NM
from glowledger.glow.series import learn_series
from glowledger.spectra.frames import frames_from_arrays

FRAMES = 60
SPECTROMETER = Instrument(pixels=1024, range_nm=(340.0, 900.0), bend=(5.0, 0.0), window="acrylic", counts_per_e=0.5)
NATURE = Nature(level=0.2, excitation_ev=0.6)


def run_through(depth, *, gas="Ar I", contaminant="CO"):
    """Return counts of a steady glow behind a film of optical depth at 500 nm, per frame, and the gas's own photons."""
    rng = np.random.RandomState(7)
    own = 5e6 * species_photons(gas, rng, NATURE)[0]
    photons = own + 3e5 * species_photons(contaminant, rng, NATURE)[0]
    films = np.exp(-np.multiply.outer(depth, (500.0 / GRID_NM) ** 3))
    counts = [record(SPECTROMETER, detect(SPECTROMETER, photons * film), rng)[0] for film in films]
    return np.array(counts), own, films


def falls(own, films, side):
    """Return ln of how far the gas's light on one side falls: all of it, and by the square, as its brightest lines do.

    A measurement weights lines between these two: by their light where noise goes by it, else by its square.
    """
    light = own * SPECTROMETER.response(GRID_NM) * side
    return [float(np.log((films[:15] @ weight).mean() / (films[-15:] @ weight).mean())) for weight in (light, light**2)]


@pytest.mark.parametrize("gas", ["Ar I", "He I"])
def test_both_sides_are_measured_as_they_are_seen(gas):
    depth = np.linspace(0.0, 0.6, FRAMES)
    counts, own, films = run_through(depth, gas=gas)
    series = learn_series(frames_from_arrays(SPECTROMETER.believed_nm(), counts)).measure(
        frames_from_arrays(SPECTROMETER.believed_nm(), counts)
    )
    inside = (GRID_NM > 345.0) & (GRID_NM < 895.0)
    for k, side in enumerate((inside & (GRID_NM < SHORT_NM), inside & (GRID_NM > LONG_NM))):
        part = series.shades[:, k]
        fall = np.log(part[:15].mean() / part[-15:].mean())
        low, high = sorted(falls(own, films, side))
        assert low - 0.03 < fall < high + 0.03
        scatter = np.std(np.diff(part)) / np.sqrt(2.0)
        assert 0.5 < scatter / np.median(series.shades_error[:, k]) < 1.6


def test_without_a_gas_that_shows_both_there_are_none():
    counts, _, _ = run_through(np.zeros(20))
    nm = SPECTROMETER.believed_nm()
    red = nm > 620.0
    frames = frames_from_arrays(nm[red], counts[:, red])
    assert np.isnan(learn_series(frames).measure(frames).shades).all()
