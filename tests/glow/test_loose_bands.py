"""Bands with a factor of their own: errors of strength are taken up, faint species between bands are not."""

from dataclasses import replace

import numpy as np
import pytest
from glow_emission import Nature
from glow_instrument import Instrument
from glow_simulator import simulate
from numpy.testing import assert_allclose

from glowledger.glow import features, loose_bands
from glowledger.glow.bands import upper_level_lines
from glowledger.glow.final_templates import with_loosened
from glowledger.glow.fitting import fit_scene
from glowledger.glow.identifying import identify, identify_frame
from glowledger.glow.instrument import loosened
from glowledger.glow.likelihood import drop_species
from glowledger.glow.species_light import species_light
from glowledger.spectra.frames import frames_from_arrays

BENCH = Instrument(pixels=1024, fwhm_nm=(1.3, 1.4), range_nm=(300.0, 800.0), second_order=0.0)
NITROGEN = {"N2": 1.2e7, "N2+": 1.2e6}


def nitrogen(seed, band, **more):
    nature = Nature(band=band, t_rot_default=600.0, whole=True)
    counts, nm, truth = simulate({**NITROGEN, **more}, BENCH, seed, nature=nature)
    return frames_from_arrays(nm, counts), truth


@pytest.fixture(scope="module")
def found():
    return identify(nitrogen(3, 0.1)[0])


def test_bands_are_parts_of_their_level(found):
    scene = found.scene
    level = next(i for i, e in enumerate(scene.emitters) if e.label == "N2 C-B v'=0")
    rows = np.flatnonzero(scene.loose.emitter == level)
    lines = upper_level_lines("N2 C-B", 0)
    assert rows.size > 4
    assert rows.size <= np.unique(lines.v_lower).size
    warmed = np.flatnonzero(scene.rotation.emitter == level)
    raw = scene.grid.density[level] - scene.loose.found[rows] @ scene.loose.grid.density[rows]
    raw = raw - scene.rotation.found[scene.rotation.quantity[warmed]] @ scene.rotation.grid.density[warmed]
    together = scene.loose.grid.density[rows].sum(axis=0)
    assert np.all(together <= raw + 1e-12 * raw.max())  # what is left over belongs to bands too faint to have a factor
    assert together.sum() > 0.97 * raw.sum()


def test_strengths_taken_into_the_templates_leave_the_model(found):
    scene = replace(found.scene, grid=replace(found.scene.grid), loose=found.scene.loose)
    fitted = fit_scene(scene, before=(found.scene, found.solution), rounds=0)
    assert np.abs(fitted.free_values[loosened(scene)]).max() > 1e-4
    changed, risen = with_loosened(scene, fitted)
    model = risen.columns @ risen.x + risen.free @ risen.free_values
    assert np.sqrt(np.mean((model - fitted.model) ** 2 / fitted.variance)) < 0.05
    changes = fitted.free_values[loosened(scene)][: len(scene.loose)]
    assert_allclose(changed.loose.found, scene.loose.found + changes, atol=1e-12)


def test_bands_of_wrong_strength_do_not_pass_for_noise(monkeypatch):
    """Bands a tenth off the tables: with factors of their own the residuals fall to less than half."""
    frames = [nitrogen(seed, 0.10)[0] for seed in (5, 6, 7)]
    loose = [identify_frame(one) for one in frames]
    monkeypatch.setattr(loose_bands, "TELLING", np.inf)
    held = [identify_frame(one) for one in frames]
    left = [[np.std((fit.data - fit.model)[fit.used]) for fit in fits] for fits in (loose, held)]
    assert np.median(np.divide(*left)) < 0.5


def test_bands_as_the_tables_have_them_keep_their_strengths():
    counts = identify(nitrogen(7, 0.0)[0])
    own = counts.scene.loose
    assert np.sqrt(np.mean((own.found / own.error) ** 2)) < 1.0


def test_cyanogen_under_bands_of_nitrogen_is_seen_mostly():
    """CN at 388 nm with a quarter of the light there: its main band, and nothing in nitrogen alone looks like it."""
    fits = [identify_frame(nitrogen(seed, 0.1, CN=1.2e5)[0]) for seed in range(11, 23)]
    verdicts = [next(e.verdict for e in fit.species if e.name == "CN") for fit in fits]
    assert set(verdicts) <= {"possible", "present", "cannot tell"}
    assert sum(verdict in ("possible", "present") for verdict in verdicts) >= 8


@pytest.mark.parametrize("seed", [11, 12, 13, 14])
def test_nitrogen_alone_shows_no_cyanogen(seed):
    frames, _ = nitrogen(seed, 0.1)
    one = next(e for e in identify_frame(frames).species if e.name == "CN")
    assert one.verdict in ("not seen", "cannot tell"), one.reason


def test_factors_of_its_own_bands_do_not_speak_against_a_molecule(found):
    """Without nitrogen there is nothing that its bands' factors could stretch to explain its light."""
    nitrogen_itself = next(e for e in found.fit.species if e.name == "N2")
    assert nitrogen_itself.verdict == "present"
    assert nitrogen_itself.significance > 100.0


def test_a_molecule_is_not_among_the_well_known_light_beside_it(found, monkeypatch):
    scene, solution = found.scene, found.solution
    columns, given = scene.columns_of("N2"), []
    real = features._outshone
    monkeypatch.setattr(features, "_outshone", lambda *args: given.append(args[0]) or real(*args))
    features.feature_tests(scene, solution, columns, drop_species(scene, solution, columns), {})
    others = solution.lines - species_light(scene, solution, columns)
    assert given
    assert np.all(given[0].well_known <= np.maximum(others, 0.0) + 1e-9 * solution.lines.max())
    assert given[0].well_known.max() > 0.1 * others.max()  # N2+ has bands with factors of their own
