"""What speaks for a scale: lines that are missing are only those that would have been seen."""

from dataclasses import replace

import numpy as np
import pytest
from lamp_fleet import largest_error, make_case
from lamp_fleet_grating import make_case as make_grating_case
from lamp_spectra import NEON, axis, spectrum
from numpy.polynomial.chebyshev import chebfit, chebval
from scipy.special import ndtr

from glowledger.bench import whole_spectrum
from glowledger.bench.calibration import calibrate
from glowledger.bench.deciding import by_spectrum
from glowledger.bench.evidence import FAINT_MISSING_SD, FAINT_SHOWN, MISSING_SD
from glowledger.bench.expected import LineList, lines_of
from glowledger.bench.hypotheses import Prior
from glowledger.bench.matching import view_of
from glowledger.bench.nearby import LOCAL, TERMS
from glowledger.bench.pattern import Pattern
from glowledger.bench.searching import match
from glowledger.bench.shots import pattern_of, prepare_shot
from glowledger.bench.solving import NOT_ALL_TRIED, seen, solve
from glowledger.bench.whole_spectrum import WholeSpectrum
from glowledger.spectra.frames import frames_from_arrays

SCALE = np.array([600.0, 200.0, 0.0, 0.0])  # 400 to 800 nm


def shot_of(counts, lamp):
    return prepare_shot(frames_from_arrays(np.arange(len(counts), dtype=float), counts, axis_kind="pixel"), lamp)


def thirty_lines(rng, known=True):
    """Thirty sharp lines of one element, told apart, of strengths over three powers of ten."""
    nm = 410.0 + 13.0 * np.arange(30) + rng.uniform(-3.0, 3.0, 30)
    return LineList(
        wavelength_nm=nm, strength=10.0 ** rng.uniform(-3.0, 0.0, 30), error_nm=np.zeros(30), species=("Ne I",) * 30,
        anchor=np.ones(30, dtype=bool), bright=np.full(30, known),
    )  # fmt: skip


def pattern_at(nm, strength, shown=None):
    order = np.argsort(-strength)
    return Pattern(
        u=(nm[order] - 600.0) / 200.0, u_se=np.full(len(nm), 1e-5), strength=strength[order],
        saturated=np.zeros(len(nm), dtype=bool), fwhm_u=np.full(len(nm), 2.0 / 200.0), detection=1.0,
        shown=np.zeros(0) if shown is None else shown,
    )  # fmt: skip


@pytest.mark.parametrize("known", [True, False])
def test_lines_too_faint_to_be_seen_are_not_missing(known):
    # of lines whose strengths differ from the listed ones those are seen that turn out bright: were the element taken
    # for as bright as these, lines would be missing that nobody could have seen
    rng = np.random.default_rng(3)
    excess = []
    for _ in range(40):
        lines = thirty_lines(rng, known)
        light = 30.0 * lines.strength * np.exp(rng.normal(0.0, 1.1, 30))
        seen = light > 1.0
        view = view_of(pattern_at(lines.wavelength_nm[seen], light[seen]), lines)
        cost = view.scores(SCALE[None, :], Prior())[0].parts[1]
        margin = np.log(30.0 * lines.strength[~seen])
        chance = ndtr(margin / (MISSING_SD if known else FAINT_MISSING_SD)) * (0.88 if known else 0.88 * FAINT_SHOWN)
        excess.append(cost - float(np.sum(np.log1p(-chance))))
    assert abs(np.mean(excess)) < 0.7


def test_a_line_is_not_missing_where_there_is_light_enough_for_it():
    # one bright line without a peak: in the dark it is missing, under a flat top or in a crowd it may be there
    rng = np.random.default_rng(4)
    lines = thirty_lines(rng)
    light = 1e4 * lines.strength
    gone = int(np.argmax(np.where(lines.wavelength_nm < 600.0, light, 0.0)))
    rest = np.arange(30) != gone
    place = int((lines.wavelength_nm[gone] - 400.0) / 400.0 * 1000)
    evidence = {}
    for name, much in (("dark", 0.0), ("light", light[gone]), ("flat top", np.inf)):
        shown = np.zeros(1000)
        shown[place - 5 : place + 6] = much
        view = view_of(pattern_at(lines.wavelength_nm[rest], light[rest], shown), lines)
        evidence[name] = view.scores(SCALE[None, :], Prior())[0].log_evidence
    assert evidence["light"] > evidence["dark"] + 1.0
    assert evidence["flat top"] > evidence["dark"] + 1.9


@pytest.mark.parametrize("direction", [1, -1])
def test_what_a_place_could_hide_is_read_from_the_spectrum_there(direction):
    # neon with a broad bright hump where its line at 585 nm would be: the peak is lost in it, the line is not missing
    nm = axis(bend=0.0, twist=0.0)[::direction]
    some = {w: s for w, s in NEON.items() if abs(w - 585.2488) > 0.1}
    dark = spectrum(some, nm)
    hump = dark + 65535.0 * (np.abs(nm - 585.2488) < 3.0)
    scale = chebfit(np.linspace(-1.0, 1.0, len(nm)), nm, 3)
    missing = []
    for counts in (dark, np.minimum(hump, 65535.0)):
        shot = shot_of(counts, "ne")
        assert len(pattern_of([shot]).shown) == len(nm)
        found = view_of(pattern_of([shot]), shot.lines).scores(scale[None, :], Prior())[0]
        missing.append(found.missing)
    assert missing[1] == missing[0] - 1


def test_in_a_crowd_of_lines_the_spectrum_tells_the_scale_from_others():
    # neon at 5.5 nm on 300 pixels: no peak stands free, so what is left when each peak stands alone tells nothing
    case = make_case(260313)
    shot = shot_of(case.counts, case.lamp)
    whole = WholeSpectrum([shot], LOCAL.spread(600.0, TERMS))
    own = whole.fit(chebfit(shot.u, case.wavelength_nm, TERMS - 1), 4)
    line_width = float(np.median(case.fwhm_nm))
    others = [
        c for c in match(seen([shot]), Prior())
        if np.median(np.abs(chebval(shot.u, c.scale) - case.wavelength_nm)) > 2.0 * line_width
    ]  # fmt: skip
    assert others
    word = by_spectrum(own, others[:4], whole, lambda _: True)
    assert word.odds > 15.0
    # once no further scale can make the answer sure again, none is asked about
    odds = [by_spectrum(own, [other], whole, lambda _: True).odds for other in others[:4]]
    assert word.odds == min(odds)
    assert by_spectrum(own, others[:4], whole, lambda word: word.odds == np.inf).odds == odds[0]
    assert by_spectrum(own, others[:4], whole, lambda _: False).odds == np.inf


def test_a_scale_beside_which_not_all_others_were_tried_is_refused(monkeypatch):
    # argon, neon and helium at 4 nm: the spectrum has to tell the scale from a dozen others
    case = make_case(518112)
    shots = [shot_of(case.counts, case.lamp)]
    assert solve(shots, case.pixel).accepted
    for most in (0, 1_000_000, 2_000_000):
        monkeypatch.setattr(whole_spectrum, "MOST_WORK", most)
        one, again = solve(shots, case.pixel), solve(shots, case.pixel)
        assert not one.accepted
        assert NOT_ALL_TRIED in one.reasons
        assert one.reasons == again.reasons
    frames = frames_from_arrays(case.pixel, case.counts, axis_kind="pixel")
    assert "second lamp" in calibrate([(frames, case.lamp)]).mend


def test_where_nothing_is_left_to_ask_little_work_is_enough(monkeypatch):
    monkeypatch.setattr(whole_spectrum, "MOST_WORK", 0)
    case = make_case(518000)  # a mercury lamp of sharp lines that stand free
    assert solve([shot_of(case.counts, case.lamp)], case.pixel).accepted


def test_strangers_among_few_lines_are_doubted():
    # mercury of which four lines show, two of them strangers a nanometre from where lines of the lamp are missing
    case = make_grating_case(410074)
    assert not solve([shot_of(case.counts, "hg")], case.pixel).accepted


def test_a_curve_that_no_lines_hold_needs_evidence_for_the_lamp():
    # hydrogen called krypton and xenon: seven peaks 10 nm wide, a line of the two near each whatever the scale
    case = make_case(340062)
    assert not solve([shot_of(case.counts, "kr,xe")], case.pixel).accepted


def test_many_lines_that_agree_are_no_evidence_in_much_other_light():
    # argon called mercury-argon: seven of 13 peaks within 0.02 line widths of a curve that is wrong by up to 80 of them
    case = make_grating_case(491027)
    assert not solve([shot_of(case.counts, "hg-ar")], case.pixel).accepted


@pytest.mark.parametrize(
    ("make", "seed"), [(make_case, 260313), (make_case, 260013), (make_grating_case, 350104)]
)
def test_thin_evidence_is_enough_where_nothing_speaks_against_it(make, seed):
    # refused for want of evidence: neon in a crowd twice, a fluorescent lamp
    case = make(seed)
    result = solve([shot_of(case.counts, case.lamp)], case.pixel)
    assert result.accepted
    assert largest_error(case, result.solution.nm(case.pixel), *result.solution.covered) < 1.0


# krypton, and krypton and xenon, by the spectrum's odds over other scales alone; xenon with odds against the lamp;
# hydrogen, half of whose peaks are of none of its lines
@pytest.mark.parametrize(
    ("seed", "lamp", "named"),
    [(703831, "hg,cd,ar", "kr"), (704071, "ar", "kr,xe"), (703045, "he", "xe"), (671234, "he", "h2")],
)
def test_odds_over_other_scales_are_weighed_with_what_speaks_against_the_lamp(seed, lamp, named):
    case = make_case(seed)
    assert case.lamp == lamp
    assert not solve([shot_of(case.counts, named)], case.pixel).accepted


def test_phosphor_bands_alone_carry_a_solution_only_with_much_evidence():
    # argon called a fluorescent lamp, its lines measured as argon's: four bands 14 nm wide agreed, no line of mercury
    case = make_case(702524)
    shot = replace(shot_of(case.counts, "ar"), lamp="cfl", lines=lines_of("cfl"))
    result = solve([shot], case.pixel)
    assert not result.accepted
    assert all("phosphor" in line.species for line in result.lines if line.used)
    assert sum(line.used for line in result.lines) >= 3
    bands = make_case(631059)  # a fluorescent lamp whose bands agree beyond doubt
    assert solve([shot_of(bands.counts, bands.lamp)], bands.pixel).accepted


# the first three placed by the whole spectrum, with much evidence; a fluorescent lamp with a band in a gap
@pytest.mark.parametrize("seed", [631206, 641359, 631635, 641290])
def test_right_solutions_once_refused_are_accepted(seed):
    case = make_case(seed)
    result = solve([shot_of(case.counts, case.lamp)], case.pixel)
    assert result.accepted
    assert largest_error(case, result.solution.nm(case.pixel), *result.solution.covered) < 1.0
