"""Who emits: simulated glows of known content, near-coincidences, windows, saturation, bad input.

The simulator shares no code with the product; see ``tests/simulators``. Which species hides which at 1-2 nm is
common practice (heads: Pearse & Gaydon, The Identification of Molecular Spectra, from memory).
"""

import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "simulators"))

from glow_emission import Nature
from glow_instrument import Instrument, random_instrument
from glow_simulator import simulate

from glowledger.bench.model import Bench, Window
from glowledger.errors import FitError, TableError
from glowledger.glow.identifying import identify_frame
from glowledger.spectra.frames import frames_from_arrays

N = 2e6  # photons of the main species: well exposed, nothing saturated
WIDE = {"pixels": 1024}
ULTRAVIOLET = {"pixels": 1024, "range_nm": (250.0, 450.0), "bend": (4.0, 0.5), "fwhm_nm": (0.8, 0.8)}
AIR = (("N2", N), ("N2+", 0.3 * N))


@cache
def seen(mixture, seed, instrument=None, t_rot_k=None, bench=None):
    """Simulate and identify; return the evidence by species, the fit and the truth."""
    nature = None if t_rot_k is None else Nature(t_rot_default=t_rot_k)
    counts, nm, truth = simulate(dict(mixture), Instrument(**dict(instrument or WIDE)), seed, nature=nature)
    fit = identify_frame(frames_from_arrays(nm, counts), bench=bench)
    return {s.name: s for s in fit.species}, fit, truth


def present(evidence):
    return {name for name, one in evidence.items() if one.verdict == "present"}


@pytest.mark.parametrize("seed", range(3))
def test_clean_argon_is_argon_and_nothing_else(seed):
    rng = np.random.RandomState(100 + seed)
    counts, nm, _ = simulate({"Ar I": 1e7}, random_instrument(rng, pixels=1024), rng)
    evidence = {s.name: s for s in identify_frame(frames_from_arrays(nm, counts)).species}
    assert present(evidence) == {"Ar I"}
    assert all(s.reason for s in evidence.values())


# (species, what glows without it, photons of it, instrument): each hides under the others at 1-2 nm
COINCIDENCES = {
    "CN 388.3 under N2+ 388.4 and 391.4": ("CN", AIR, 0.2, WIDE),
    "N2+ 391.4 beside CN 388.3": ("N2+", (("N2", N), ("CN", 0.3 * N)), 0.2, WIDE),
    "CO 519.8 and 483.5 beside N2 and C2 516.5": ("CO", (("N2", N), ("C2", 0.1 * N)), 0.2, WIDE),
    "C2 516.5 beside CO 519.8": ("C2", (("Ar I", N), ("CO", 0.3 * N)), 0.1, WIDE),
    "CO 297.7 under N2 297.7": ("CO", (("N2", N),), 0.3, ULTRAVIOLET),
    "OH 306-309 beside N2 311-316": ("OH", AIR, 0.1, WIDE),
    "H-alpha 656.3 in N2 B-A": ("H I", AIR, 0.03, WIDE),
    "CH 431.4 beside N2+ 427.8 and N2 434.4": ("CH", AIR, 0.1, WIDE),
    "O I 777 in N2 B-A": ("O I", AIR, 0.1, WIDE),
    "NH 336.0 under N2 337.1": ("NH", (("N2", N),), 0.3, WIDE),
    "Na I 589 in N2 B-A": ("Na I", AIR, 0.03, WIDE),
    "Ar I 750 in N2 B-A": ("Ar I", AIR, 0.05, WIDE),
}


@pytest.mark.parametrize("case", COINCIDENCES)
def test_a_near_coincidence_without_the_species_is_no_claim(case):
    name, base, _, instrument = COINCIDENCES[case]
    evidence, _, truth = seen(base, 7, tuple(instrument.items()))
    assert evidence[name].verdict in ("not seen", "possible", "cannot tell")
    assert {n for n, _ in base} <= present(evidence)
    assert present(evidence) <= {n for n, _ in base}
    assert truth.saturated is not None
    assert not truth.saturated.any()


@pytest.mark.parametrize("case", COINCIDENCES)
def test_a_near_coincidence_with_the_species_is_found(case):
    name, base, part, instrument = COINCIDENCES[case]
    seed = 20 + list(COINCIDENCES).index(case)
    evidence, _, truth = seen((*base, (name, part * N)), seed, tuple(instrument.items()))
    assert evidence[name].verdict == "present"
    assert evidence[name].significance > 5
    own = truth.expected[name].sum()
    assert abs(evidence[name].counts - own) < 4 * evidence[name].standard_error + 0.1 * own
    assert evidence[name].features
    assert evidence[name].features[0].standard_error > 0


# where two meet, nm in air, and who must be named there beside the species (heads and lines as above)
MEETING = {
    "CN 388.3 under N2+ 388.4 and 391.4": (387.0, {"N2+", "N2"}),
    "C2 516.5 beside CO 519.8": (516.5, {"CO"}),
    "CO 297.7 under N2 297.7": (297.3, {"N2"}),
    "OH 306-309 beside N2 311-316": (314.0, {"N2"}),
    "CH 431.4 beside N2+ 427.8 and N2 434.4": (434.2, {"N2"}),
    "NH 336.0 under N2 337.1": (336.3, {"N2"}),
    "Ar I 750 in N2 B-A": (751.0, {"N2"}),
}


@pytest.mark.parametrize("case", MEETING)
def test_where_two_meet_the_feature_names_the_other(case):
    nm, rivals = MEETING[case]
    name, base, part, instrument = COINCIDENCES[case]
    seed = 20 + list(COINCIDENCES).index(case)
    evidence, _, _ = seen((*base, (name, part * N)), seed, tuple(instrument.items()))
    here = [f for f in evidence[name].features if abs(f.wavelength_nm - nm) < 1.5]
    assert here
    assert rivals & {other for feature in here for other in feature.overlaps}


@pytest.mark.parametrize("fwhm", [4.0, 8.0])
@pytest.mark.parametrize(("name", "base"), [("NH", (("N2", N),)), ("CN", AIR), ("CH", AIR), ("OH", AIR)])
def test_what_a_coarse_spectrometer_does_not_resolve_is_not_claimed(name, base, fwhm):
    evidence, _, _ = seen(base, 3, (("pixels", 512), ("fwhm_nm", (fwhm, fwhm))))
    assert evidence[name].verdict != "present"
    assert "N2" in present(evidence)


def test_counts_of_a_species_are_within_their_errors():
    evidence, _, truth = seen((*AIR, ("H I", 0.03 * N)), 7)
    for name in ("N2", "N2+", "H I"):
        one, own = evidence[name], truth.expected[name].sum()
        assert one.standard_error < 0.3 * own
        assert abs(one.counts - own) < 4 * one.standard_error
        assert one.upper_limit > own


def test_the_argon_pair_at_750_is_told_apart_only_where_it_is_resolved():
    # Ar I 750.387 and 751.465 nm, 2p1 and 2p5 at 13.48 and 13.27 eV (NIST ASD)
    def tied(fwhm, seed):
        instrument = {"pixels": 2048, "range_nm": (690.0, 860.0), "bend": (2.0, 0.2), "fwhm_nm": (fwhm, fwhm)}
        evidence, fit, _ = seen((("Ar I", 1e6),), seed, tuple(instrument.items()))
        assert evidence["Ar I"].verdict == "present"
        pair = [fit.emitter_labels.index(f"Ar I {ev} eV") for ev in ("13.48", "13.27")]
        block = fit.covariance[np.ix_(pair, pair)]
        return block[0, 1] / np.sqrt(block[0, 0] * block[1, 1])

    # which faint neighbours a spectrum lights is chance, and each of them loosens the tie
    assert np.median([tied(3.6, seed) for seed in range(3, 11)]) < -0.5
    assert abs(tied(0.4, 3)) < 0.3


ACRYLIC = {**WIDE, "window": "acrylic"}
CLEAR = (("Ar I", N), ("N2", 0.5 * N), ("OH", 0.3 * N))


def test_what_an_acrylic_window_blocks_cannot_be_told():
    # acrylic passes near nothing below 345-380 nm (makers' data); OH 306-309, NH 336 and NO 226-300 lie there
    bench = Bench(pixels=1024, window=Window(material="acrylic", thickness_mm=3.0))
    evidence, _, _ = seen(CLEAR, 5, tuple(ACRYLIC.items()), bench=bench)
    for name in ("OH", "NH", "NO"):
        assert evidence[name].verdict == "cannot tell", name
        assert "window" in evidence[name].reason
        assert not np.isfinite(evidence[name].upper_limit)
    assert evidence["N2"].verdict in ("present", "possible"), "380.5 nm and up, and the red bands, pass"


def test_dark_ultraviolet_with_an_unknown_window_cannot_tell_either():
    evidence, fit, _ = seen((("Ar I", N), ("OH", 0.3 * N)), 5, tuple(ACRYLIC.items()))
    for name in ("OH", "NH", "NO"):
        assert evidence[name].verdict == "cannot tell", name
        assert "nm" in evidence[name].reason
    assert any("window" in text for text in fit.warnings)


def test_the_same_light_through_fused_silica_shows_what_acrylic_hides():
    evidence, _, _ = seen(CLEAR, 5)
    assert evidence["OH"].verdict == "present"


def test_ultraviolet_only_through_acrylic_does_not_say_no_nitrogen():
    # below 345 nm nothing of N2 C-B comes through: its absence there means nothing
    instrument = {**ACRYLIC, "range_nm": (250.0, 345.0), "bend": (1.0, 0.1), "fwhm_nm": (0.8, 0.8)}
    bench = Bench(pixels=1024, window=Window(material="acrylic", thickness_mm=3.0))
    evidence, _, _ = seen((("N2", N),), 5, tuple(instrument.items()), bench=bench)
    assert evidence["N2"].verdict == "cannot tell"


def test_a_short_range_with_fine_pixels_is_fitted():
    # 45 nm in 1024 pixels: shorter than the reach over which misfit is averaged
    instrument = {"pixels": 1024, "range_nm": (380.0, 425.0), "bend": (0.5, 0.0), "fwhm_nm": (0.5, 0.5)}
    evidence, fit, _ = seen((("N2", 3 * N), ("N2+", N)), 5, tuple(instrument.items()))
    assert {"N2", "N2+"} <= present(evidence)
    assert fit.model.size == 1024


def test_outside_the_range_cannot_be_told():
    instrument = {"pixels": 1024, "range_nm": (500.0, 900.0), "bend": (4.0, 0.5)}
    evidence, _, _ = seen((("Ar I", N),), 5, tuple(instrument.items()))
    for name in ("OH", "NO", "NH", "CN"):
        assert evidence[name].verdict == "cannot tell"


def test_saturated_lines_are_left_out_and_argon_is_found_by_the_others():
    counts, nm, truth = simulate({"Ar I": 3e7}, Instrument(**WIDE), 9)
    assert truth.saturated is not None
    assert truth.saturated.sum() > 3
    fit = identify_frame(frames_from_arrays(nm, counts))
    evidence = {s.name: s for s in fit.species}
    assert present(evidence) == {"Ar I"}
    assert not fit.used[truth.saturated].any()
    assert any("left out" in text for text in fit.warnings)


def test_a_species_whose_only_line_is_masked_cannot_be_told():
    instrument = Instrument(pixels=1024, range_nm=(600.0, 860.0), bend=(2.0, 0.2), fwhm_nm=(1.0, 1.0))
    counts, nm, _ = simulate({"Ar I": N, "H I": 0.3 * N}, instrument, 2)
    counts = np.where(np.abs(nm - 656.28) < 4.0, np.nan, counts)  # H-alpha, the one Balmer line above 600 nm
    evidence = {s.name: s for s in identify_frame(frames_from_arrays(nm, counts)).species}
    assert evidence["H I"].verdict == "cannot tell"


def test_only_the_species_asked_for_are_judged():
    counts, nm, _ = simulate({"Ar I": N}, Instrument(**WIDE), 4)
    fit = identify_frame(frames_from_arrays(nm, counts), species=["Ar I", "OH"])
    assert {s.name for s in fit.species} == {"Ar I", "OH"}


def test_a_shifted_axis_is_found():
    counts, nm, _ = simulate({"Ar I": N, "N2": 0.3 * N}, Instrument(**WIDE), 4)
    fit = identify_frame(frames_from_arrays(nm + 0.8, counts))
    plain = identify_frame(frames_from_arrays(nm, counts))
    assert fit.shift_nm - plain.shift_nm == pytest.approx(-0.8, abs=0.1)
    assert {s.name for s in fit.species if s.verdict == "present"} == {"Ar I", "N2"}


AXIS = np.linspace(300.0, 900.0, 1024)


def peaks(width_nm):
    return 100.0 + 2e4 * np.exp(-0.5 * ((AXIS[:, None] - np.array([420.0, 600.0, 750.0])) / width_nm) ** 2).sum(axis=1)


@pytest.mark.parametrize(
    ("frames", "says"),
    [
        (frames_from_arrays(np.arange(1024.0), peaks(2.0), axis_kind="pixel"), "pixel"),
        (frames_from_arrays(AXIS, np.zeros(1024)), "no light"),
        (frames_from_arrays(AXIS, np.full(1024, np.nan)), "no light"),
        (frames_from_arrays(AXIS[:60], peaks(2.0)[:60]), "too few"),
        (frames_from_arrays(AXIS, peaks(12.0)), "too coarse"),
    ],
    ids=["pixel axis", "all zero", "all missing", "too few points", "too coarse"],
)
def test_spectra_that_cannot_be_fitted_are_refused_with_the_mend(frames, says):
    with pytest.raises(FitError, match=says) as caught:
        identify_frame(frames)
    assert caught.value.mend


@pytest.mark.parametrize(
    ("wrong", "near"), [("Argon I", "Ar I"), ("N2*", "N2"), ("coper", "Cu I"), ("Water", "OH"), ("Na", None)]
)
def test_unknown_species_suggest_the_nearest(wrong, near):
    frames = frames_from_arrays(AXIS, peaks(1.0))
    if near is None:  # an element means all its listed stages
        assert [s.name for s in identify_frame(frames, species=[wrong]).species] == ["Na I"]
        return
    with pytest.raises(TableError, match="not in the list") as caught:
        identify_frame(frames, species=[wrong])
    assert near in caught.value.mend


def test_species_that_emit_elsewhere_are_refused():
    axis = np.linspace(600.0, 900.0, 600)
    frames = frames_from_arrays(axis, 100 + 1e4 * np.exp(-0.5 * ((axis - 750) / 1.0) ** 2))
    with pytest.raises(FitError, match="600 and 900 nm") as caught:
        identify_frame(frames, species=["NO"])
    assert caught.value.mend


def test_a_flat_spectrum_of_noise_claims_nothing():
    counts = np.random.default_rng(3).normal(500.0, 10.0, 1024)
    fit = identify_frame(frames_from_arrays(AXIS, counts))
    assert {s.verdict for s in fit.species} <= {"not seen", "cannot tell"}


def test_a_bright_spectrum_of_other_strengths_than_the_tables_still_shows_its_species():
    # lines of one level in proportions that no table has, hardly any noise: few tops misfit, many dark pixels fit
    lines = {
        696.54: 0.5, 706.72: 0.4, 738.40: 0.5, 750.39: 1.0, 751.47: 0.6, 763.51: 1.1, 772.38: 0.6, 794.82: 0.5,
        801.48: 0.4, 811.53: 1.0, 777.19: 0.45, 844.64: 0.36, 656.28: 0.35, 486.13: 0.09, 434.05: 0.035,
    }  # fmt: skip
    nm = np.linspace(380.0, 880.0, 2048)
    light = sum(2e4 * part * np.exp(-4 * np.log(2) * ((nm - at) / 1.4) ** 2) for at, part in lines.items())
    noise = np.sqrt((light + 364.0) / 180.0)
    counts = 300.0 + light + noise * np.random.default_rng(5).standard_normal(nm.size)
    fit = identify_frame(frames_from_arrays(nm, counts))
    assert {one.name for one in fit.species if one.verdict == "present"} == {"Ar I", "O I", "H I"}
    assert fit.chi2_reduced < 5.0
    assert not [one.name for one in fit.species if one.name in ("N2", "N2+") and one.verdict != "not seen"]
