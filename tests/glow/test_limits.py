"""Limits of what is not seen: nobody knows an amount better than the light itself tells."""

import numpy as np
import pytest
from glow_instrument import Instrument
from glow_simulator import simulate
from numpy.testing import assert_allclose
from scipy.stats import binom

from glowledger.glow.identifying import identify
from glowledger.glow.reach import _tied_shares
from glowledger.spectra.frames import frames_from_arrays

BENCH = Instrument(pixels=1024, fwhm_nm=(1.2, 1.4), range_nm=(280.0, 900.0), axis_error_nm=(0.05, 0.03, 0.02))
SEEDS = range(5)


def ideal_error(truth, name, used):
    """Standard error, counts, of an observer who knows every shape and fits the heights (Cramér-Rao)."""
    own = (truth.expected[name] / truth.noise_sd)[used]
    others = np.array([x for key, x in truth.expected.items() if key != name] + [truth.background])
    others = (others / truth.noise_sd)[:, used]
    others = others[np.linalg.norm(others, axis=1) > 0]
    others = (others / np.linalg.norm(others, axis=1)[:, None]).T
    left = own - others @ np.linalg.lstsq(others, own, rcond=None)[0]
    return float(truth.expected[name][used].sum() / np.sqrt(left @ left))


@pytest.fixture(scope="module")
def traces():
    """What is said of traces of half to two ideal standard errors: (evidence, true counts, ideal error)."""
    said = []
    for base in ("Ar I", "Ne I"):
        for name, photons in (("H I", 500.0), ("CO", 1500.0), ("CO+", 1500.0)):
            for seed in SEEDS:
                counts, nm, truth = simulate({base: 3e6, name: photons}, BENCH, seed)
                fit = identify(frames_from_arrays(nm, counts)).fit
                used = np.asarray(fit.used)
                one = next(e for e in fit.species if e.name == name)
                said.append((one, float(truth.expected[name][used].sum()), ideal_error(truth, name, used)))
    return said


def test_no_limit_is_below_the_error_of_the_ideal_observer(traces):
    unseen = [one.upper_limit / ideal for one, _, ideal in traces if one.verdict == "not seen"]
    assert len(unseen) >= 24
    assert min(unseen) > 1.0


def test_an_amount_is_not_known_better_for_being_faint(traces):
    # half: the typical pattern may be easier to see than the one that was drawn
    assert min(one.standard_error / ideal for one, _, ideal in traces) > 0.5


def test_nineteen_of_twenty_limits_hold(traces):
    unseen = [(one, own) for one, own, _ in traces if one.verdict == "not seen"]
    assert sum(own > one.upper_limit for one, own in unseen) <= binom.isf(0.01, len(unseen), 0.05)


def test_a_tie_to_typical_shares_tells_nothing_of_the_amount():
    weights, scale = np.array([1.0, 0.1, 0.02]), 1e-3
    held = _tied_shares((3.0 * scale * weights) ** -2, weights)
    assert_allclose(held @ weights, 0.0, atol=1e-9 * held.max())
    assert np.linalg.eigvalsh(held)[1] > 0  # but the shares it holds
    assert_allclose(_tied_shares(np.array([7.0]), np.array([0.02])), 0.0, atol=1e-12)
