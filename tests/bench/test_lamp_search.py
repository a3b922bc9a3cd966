"""A lamp that nobody named: found on the scale of the one that leads, and the same as by a search of each in full."""

import numpy as np
import pytest
from lamp_spectra import ARGON, MERCURY, NEON, axis, spectrum
from numpy.testing import assert_allclose

from glowledger.bench import lamp_search
from glowledger.bench.calibration import calibrate
from glowledger.bench.searching import Search
from glowledger.spectra.frames import frames_from_arrays


def found(counts):
    frames = frames_from_arrays(np.arange(len(counts), dtype=float), counts, axis_kind="pixel")
    return calibrate([(frames, "auto")]), frames.axis


@pytest.mark.parametrize("lines", [MERCURY | ARGON, MERCURY, NEON, ARGON])
def test_the_lamp_and_the_scale_are_those_of_a_search_of_each_lamp_in_full(lines, monkeypatch):
    counts = spectrum(lines, axis(bend=0.015))
    result, at = found(counts)
    for limit in ("DECISIVE", "LEADING"):
        monkeypatch.setattr(lamp_search, limit, np.inf)
    full, _ = found(counts)
    assert result.accepted
    assert result.lamp == full.lamp
    assert_allclose(result.solution.nm(at), full.solution.nm(at), atol=1e-6)


def test_a_lamp_that_fits_better_is_found_though_another_one_led_first():
    result, _ = found(spectrum(MERCURY, axis(bend=0.015)))  # which mercury-argon, asked first, explains nearly as well
    assert result.lamp == "hg"


def test_where_a_lamp_leads_others_are_asked_about_its_scale_alone(monkeypatch):
    looks, scales = [], []
    look, look_at = Search.look, Search.look_at
    monkeypatch.setattr(Search, "look", lambda self: looks.append(self) or look(self))
    monkeypatch.setattr(Search, "look_at", lambda self, scale: scales.append(scale) or look_at(self, scale))
    result, _ = found(spectrum(MERCURY | ARGON, axis(bend=0.015)))
    assert result.accepted
    assert len(looks) == 1
    assert len({tuple(scale) for scale in scales}) == 1
    assert len(scales) >= len(lamp_search.AUTO_LAMPS) - 1
