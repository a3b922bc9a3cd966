"""Smooth light cut off by a window: found from the record, and no light of any species."""

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate
from scipy.special import erf

from glowledger.glow.background import window_edge
from glowledger.glow.identifying import identify_frame
from glowledger.spectra.frames import frames_from_arrays

NM = np.linspace(280.0, 850.0, 1024)


def recorded(light, seed=1):
    return light + np.sqrt(100.0 + light) * np.random.default_rng(seed).standard_normal(NM.size)


@pytest.mark.parametrize(("edge", "width"), [(320.0, 5.0), (375.0, 8.0), (390.0, 4.0)])
def test_the_edge_is_found_where_half_of_the_light_is_left(edge, width):
    smooth = 2000.0 * (1.0 + 0.2 * np.sin(NM / 90.0))
    counts = recorded(smooth * 0.5 * (1.0 + erf((NM - edge) / width)))
    assert window_edge(NM, counts, np.ones(NM.size, dtype=bool)) == pytest.approx(edge, abs=8.0)


@pytest.mark.parametrize(
    "light",
    [
        np.full(NM.size, 2000.0),  # an open window
        2000.0 * np.exp(-(((NM - 390.0) / 12.0) ** 2)),  # rises and falls again
        4000.0 * np.clip((NM - 300.0) / 300.0, 0.0, 1.0),  # rises over hundreds of nanometres
        np.zeros(NM.size),
    ],
)
def test_where_smooth_light_does_not_begin_at_once_there_is_no_edge(light):
    assert window_edge(NM, recorded(light), np.ones(NM.size, dtype=bool)) is None


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_smooth_light_behind_acrylic_is_no_bands(seed):
    """Oxygen and a strong continuum, 0.65 nm lines: nitric oxide has bands all over the place where it is cut off."""
    bench = Instrument(pixels=2048, fwhm_nm=(0.62, 0.7), range_nm=(250.0, 850.0), second_order=0.0)
    counts, nm, _ = simulate({"O I": 2e6}, bench, seed, background_share=0.0)
    level = 400.0 * 0.5 * (1.0 + erf((nm - 384.0) / 9.0))
    counts = np.where(nm < 375.0, np.random.default_rng(seed).normal(0.0, 8.0, nm.size), counts)
    counts = counts + level + np.sqrt(0.25 * level) * np.random.default_rng(seed + 50).standard_normal(nm.size)
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert {e.name for e in fit.species if e.verdict in ("present", "possible")} == {"O I"}
