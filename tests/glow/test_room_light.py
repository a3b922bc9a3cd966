"""A fluorescent lamp in the room makes no gas: its phosphor is told for what it is, in spectra of our own simulator."""

import numpy as np
import pytest
from glow_emission import Nature, species_photons
from glow_instrument import detect, random_instrument, record
from glow_room_light import fluorescent_lamp
from glow_scenarios import MIXED, PURE
from glow_simulator import simulate

from glowledger.diagnose.findings import findings
from glowledger.glow.identifying import identify_frame
from glowledger.glow.room_light import fluorescent
from glowledger.glow.starting import guessed_line_spread
from glowledger.report.identify_files import fit_csv
from glowledger.spectra.frames import frames_from_arrays

OF_THE_LAMP = {"Hg I", "Ar I"}
RECORDED = 8


def identified(share, gas, seed):
    """Identify light of a gas with a share of lamp light."""
    rng = np.random.RandomState([seed, 71])
    instrument = random_instrument(rng)
    light = share * fluorescent_lamp(rng)
    if share < 1:
        light = light + (1 - share) * species_photons(gas, rng, Nature(t_rot_default=500.0, excitation_ev=0.55))[0]
    counts = record(instrument, detect(instrument, 2e7 / instrument.counts_per_e * light[None]), rng)[0]
    return identify_frame(frames_from_arrays(instrument.believed_nm(), counts))


@pytest.fixture(scope="module")
def lamps():
    """Lamps alone, by several spectrometers."""
    return [identified(1.0, "", seed) for seed in range(RECORDED)]


def test_a_lamp_is_no_gas(lamps):
    # neon, fluorine or ions of argon were present in about half of such lamps while no phosphor was listed
    claimed = [{e.name for e in fit.species if e.verdict == "present"} - OF_THE_LAMP for fit in lamps]
    assert not any(claimed), claimed


def test_phosphor_is_told(lamps):
    told = [{e.name: e.verdict for e in fit.species}.get("phosphor") for fit in lamps]
    assert told.count("possible") >= 6, told  # 17 of 20 other lamps


def test_mercury_with_phosphor_is_surely_the_room(lamps):
    sure = [fit for fit in lamps if {e.name: e.verdict for e in fit.species}.get("phosphor") == "possible"]
    found = [f for fit in sure for f in findings(fit) if f.kind == "room light"]
    assert any(f.confidence == "high" and "phosphor" in f.text for f in found)


@pytest.mark.parametrize("gas", ["Ar I", "Ne I", "O I"])
def test_a_gas_is_found_under_the_lamp(gas):
    fit = identified(0.3, gas, 5)
    present = {e.name for e in fit.species if e.verdict == "present"}
    assert gas in present
    assert present <= OF_THE_LAMP | {gas}


def test_no_lamp_is_looked_for_in_a_glow():
    # of 378 other glows, of 20 kinds, none was taken for lit by a lamp
    for number, kind in enumerate((*PURE, *MIXED)):
        rng = np.random.RandomState([number, 72])
        counts, nm, _ = simulate(kind.draw(rng), random_instrument(rng), rng)
        frames = frames_from_arrays(nm, counts)
        assert not fluorescent(frames, float(guessed_line_spread(frames).fwhm_nm[0]), 1.0), kind.name


def test_a_lamp_is_looked_for_where_it_shines_and_its_axis_is_off():
    rng = np.random.RandomState(73)
    instrument = random_instrument(rng, pixels=2048, range_nm=(300.0, 900.0), fwhm_nm=(1.5, 1.5))
    counts = record(instrument, detect(instrument, 2e7 / instrument.counts_per_e * fluorescent_lamp(rng)[None]), rng)[0]
    for off_nm, looked_for in ((0.0, True), (1.5, True), (-1.5, True), (9.0, False)):
        frames = frames_from_arrays(instrument.believed_nm() + off_nm, counts)
        assert fluorescent(frames, 1.5, 1.0) is looked_for


def test_what_a_file_does_not_hold_is_drawn_and_written_as_a_gap():
    rng = np.random.RandomState(74)
    counts, nm, _ = simulate({"Ar I": 1e7}, random_instrument(rng, pixels=1024, range_nm=(300.0, 900.0)), rng)
    counts = counts.copy()
    counts[200:203] = np.nan
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert np.flatnonzero(np.isnan(fit.data)).tolist() == [200, 201, 202]
    rows = [row.split(",") for row in fit_csv(fit).splitlines() if not row.startswith("#")][1:]
    assert [row[1] for row in rows[199:204]].count("") == 3
