"""Rotational temperatures free in the fit: they settle together with the line width, and their templates with them."""

import numpy as np
import pytest
from glow_emission import Nature
from glow_instrument import Instrument
from glow_simulator import simulate
from numpy.testing import assert_allclose

from glowledger.glow.identifying import identify, identify_frame
from glowledger.glow.loose_rotation import bands_at, loose_rotation
from glowledger.spectra.frames import frames_from_arrays
from glowledger.tables.species import find_species

BENCH = Instrument(pixels=1024, fwhm_nm=(1.2, 1.4), range_nm=(280.0, 900.0), axis_error_nm=(0.05, 0.03, 0.02))


def glow(mixture, kelvin, seed):
    nature = Nature(t_rot_default=float(kelvin), whole=True)
    counts, nm, _ = simulate(mixture, BENCH, seed, nature=nature)
    return frames_from_arrays(nm, counts)


@pytest.fixture(scope="module")
def found():
    return identify(glow({"N2": 5e6, "N2+": 5e6}, 900, 21))


def test_the_slope_is_that_of_the_bands(found):
    scene = found.scene
    (nitrogen,) = find_species(("N2",))
    loose = loose_rotation(scene.emitters, (nitrogen,), {"N2": 700.0}, scene.grid.scale)
    labels = tuple(scene.emitters[k].label for k in loose.emitter)
    hot, cold = (bands_at(nitrogen, labels, np.log(700.0 * f), scene.grid.scale).density for f in (1.02, 1 / 1.02))
    slope = (hot - cold) / (2 * np.log(1.02))
    error = np.abs(loose.grid.density - slope).sum(axis=1) / np.abs(slope).sum(axis=1)
    assert np.all(error[np.abs(slope).sum(axis=1) > 1e-3] < 0.06)
    assert len(loose) == 1, "one temperature for all bands of a molecule"


def test_only_molecules_that_tell_their_temperature_have_one_free(found):
    scene = found.scene
    free = {scene.emitters[k].species for k in scene.rotation.emitter}
    told = {t.name.removeprefix("T_rot ") for t in found.fit.temperatures if np.isfinite(t.kelvin)}
    assert {"N2", "N2+"} <= free <= told | {"N2", "N2+"}
    assert loose_rotation(scene.emitters, find_species(None), {}, scene.grid.scale) is None


def test_what_was_found_is_in_the_templates(found):
    scene, solution = found.scene, found.solution
    assert_allclose(solution.free_values[-1 - scene.hats.shape[1] - len(scene.rotation) :][: len(scene.rotation)], 0.0)
    light = np.where(scene.used, solution.lines, 0.0)
    whole = solution.columns @ solution.x + solution.free @ solution.free_values
    left = np.abs(whole - solution.model)[scene.used]
    assert left.max() < 0.02 * light.max()


@pytest.mark.parametrize(
    ("mixture", "name", "kelvin"),
    [
        ({"N2": 5e6, "N2+": 5e6}, "N2+", 1300),
        ({"O2+": 5e6, "O I": 5e6}, "O2+", 1300),
        ({"CO": 5e6, "O I": 5e6}, "CO", 800),
    ],
)
def test_width_and_temperature_settle_together(mixture, name, kelvin):
    """Found in turns they were off by 24, 15 and 15 %, as the first draw is at 500 K and the width follows it."""
    temperatures = [
        t.kelvin for seed in (31, 32, 33) for t in identify_frame(glow(mixture, kelvin, seed)).temperatures
        if t.name == f"T_rot {name}"
    ]  # fmt: skip
    assert np.mean(np.log(temperatures)) == pytest.approx(np.log(kelvin), abs=0.08)
