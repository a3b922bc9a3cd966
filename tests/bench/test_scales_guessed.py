"""Guesses at a scale: what is allowed, how smooth instruments are, and that looking less finds the same."""

from itertools import combinations
from math import comb

import numpy as np
import pytest
from lamp_fleet_grating import grating_axis
from lamp_spectra import ARGON, MERCURY, NEON, axis, spectrum
from numpy.polynomial.chebyshev import chebfit, chebval, chebvander

from glowledger.bench import searching
from glowledger.bench.expected import LineList
from glowledger.bench.hypotheses import (
    SMOOTH,
    Prior,
    admissible,
    best_of_cells,
    ends_nm,
    first_of_alike,
    triples,
)
from glowledger.bench.profiles import normal_solve, normal_variances
from glowledger.bench.searching import match
from glowledger.bench.shots import prepare_shot
from glowledger.bench.solving import seen
from glowledger.bench.triples_tried import more_line_triples
from glowledger.spectra.frames import frames_from_arrays


def view_on(nm, lines, lamp):
    frames = frames_from_arrays(np.arange(len(nm), dtype=float), spectrum(lines, nm), axis_kind="pixel")
    return seen([prepare_shot(frames, lamp)])


def test_plain_gratings_are_as_smooth_as_stated():
    rng = np.random.default_rng(8)
    u = np.linspace(-1.0, 1.0, 300)
    bends = []
    for _ in range(300):
        nm = grating_axis(rng, 300)
        bends.append(np.abs(chebfit(u, nm, 7)[4:6]) / np.ptp(nm))
    most = np.quantile(bends, 0.98, axis=0)
    assert np.all(most < 2.0 * np.array(SMOOTH))
    assert most[0] > 0.5 * SMOOTH[0]


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_a_winding_curve_is_less_likely_than_a_smooth_one_and_not_impossible(sign):
    prior = Prior()
    smooth = np.array([600.0, 300.0, 8.0, -2.0, 0.1, 0.0])
    winding = smooth + sign * np.array([0.0, 0.0, 0.0, 0.0, 0.9, 0.3])
    against = prior.log_density(smooth) - prior.log_density(winding)
    assert 3.0 < against < 12.0
    mirrored = winding * np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0])  # an axis from red to blue
    assert prior.log_density(mirrored) == pytest.approx(prior.log_density(winding))


def test_scales_through_triples_are_those_that_go_through_them_and_are_allowed():
    rng = np.random.default_rng(4)
    prior, u, nm = Prior(), np.sort(rng.uniform(-1.0, 1.0, 5)), np.sort(rng.uniform(300.0, 900.0, 7))
    peaks, lines = (np.array(list(combinations(range(n), 3))) for n in (5, 7))
    found = triples(u, peaks, nm, lines, prior)
    assert np.all(admissible(found, prior))
    wanted = 0
    for p in peaks:
        for row in lines:
            for order in (row, row[::-1]):
                for twist in np.linspace(-prior.max_twist, prior.max_twist, 7):
                    plain = np.linalg.solve(chebvander(u[p], 2), nm[order])
                    c3 = twist * 2.0 * plain[1]
                    bent = np.linalg.solve(chebvander(u[p], 2), nm[order] - c3 * chebvander(u[p], 3)[:, 3])
                    scale = np.append(bent, c3)[None, :]
                    if admissible(np.append(plain, 0.0)[None, :], prior)[0] and admissible(scale, prior)[0]:
                        wanted += 1
                        assert np.min(np.max(np.abs(found - scale), axis=1)) < 1e-6
    assert 0 < wanted <= len(found) < 2 * wanted  # bounds without a twist are wider by 2 % of the span


@pytest.mark.parametrize("spread", [0.3, 30.0])  # many scales in each cell, few
def test_the_best_scale_of_each_cell_is_kept_best_first(spread):
    rng = np.random.default_rng(6)
    scales = np.array([600.0, 300.0, 5.0, 0.0]) + rng.normal(0.0, spread, (900, 4)) * np.array([1.0, 1.0, 0.1, 0.1])
    score = rng.integers(0, 40, 900).astype(float)  # with many alike
    best: dict[tuple[float, ...], int] = {}
    for k in np.argsort(-score, kind="stable"):
        cell = tuple(np.floor(chebval(np.array([-0.8, 0.0, 0.8]), scales[k]) / 0.5))
        best.setdefault(cell, int(k))
    assert best_of_cells(scales, score, 20, 0.5).tolist() == list(best.values())[:20]
    assert len(best) < 150 or spread > 1.0


def test_of_curves_that_are_alike_the_first_is_kept():
    at = np.array([[0.0, 0.0], [0.9, 0.5], [1.5, 0.0], [0.0, 1.1], [0.2, 1.2]])
    assert first_of_alike(at, 1.0) == [0, 2, 3]
    assert first_of_alike(at, np.array([1.0, 0.4, 1.0, 1.0, 1.0])) == [0, 1]  # by the width of the later one


def test_the_ends_of_the_axis_do_not_hang_on_its_direction():
    scales = np.array([[600.0, 250.0, 10.0, -3.0, 0.5], [600.0, -250.0, 10.0, 3.0, 0.5]])
    assert ends_nm(scales) == pytest.approx(np.sort(chebval(np.array([-1.0, 1.0]), scales.T), axis=1))


@pytest.mark.parametrize(("lamp", "lines"), [("ne", NEON), ("hg-ar", MERCURY | ARGON)])
def test_a_first_look_that_decides_finds_what_a_full_one_finds(lamp, lines, monkeypatch):
    view = view_on(axis(bend=0.015), lines, lamp)
    first = match(view, Prior())[0]
    assert first.log_evidence > searching.DECISIVE
    monkeypatch.setattr(searching, "DECISIVE", np.inf)
    full = match(view, Prior())[0]
    width = float(np.median(view.pattern.fwhm_u)) * abs(full.scale[1])
    among = view.pattern.u[full.peak]
    assert np.max(np.abs(chebval(among, first.scale) - chebval(among, full.scale))) < 0.3 * width


def test_a_few_lines_among_many_strangers_end_no_search(monkeypatch):
    # mercury's own lines are all there; most of the peaks are of no mercury lamp
    view = view_on(axis(bend=0.015), MERCURY | NEON, "hg")
    looks = []
    whole = searching.Search._look
    monkeypatch.setattr(searching.Search, "_look", lambda self, look: looks.append(look) or whole(self, look))
    match(view, Prior())
    assert len(looks) > 1


# xenon on an instrument that sees little but the blue: NIST Atomic Spectra Database (doi 10.18434/T4W30F), from memory
FEW_OF_XENON = {450.098: 29, 462.428: 104, 467.123: 113, 473.415: 43, 491.651: 15, 492.315: 55, 711.960: 38}


@pytest.mark.parametrize("mirrored", [False, True])
def test_where_all_guesses_hang_on_one_faint_line_it_is_tried_too(mirrored):
    # five lines stand together, so that each three peaks far enough apart hold the sixth, of a line that 43 outshine
    nm = axis(1024, 215.0, 760.0, bend=-0.012, twist=-0.002)
    nm = nm[::-1] if mirrored else nm
    view = view_on(nm, FEW_OF_XENON, "xe")
    assert len(view.pattern.u) == 6
    best = match(view, Prior())[0]
    true = np.interp(view.pattern.u, np.linspace(-1.0, 1.0, len(nm)), nm)
    width = float(np.median(view.pattern.fwhm_u)) * abs(best.scale[1])
    assert np.max(np.abs(chebval(view.pattern.u, best.scale) - true)) < 0.3 * width


def test_the_fewer_the_peaks_the_more_lines_are_tried_with_them_and_never_none():
    nm = np.sort(np.random.default_rng(7).uniform(300.0, 900.0, 90))
    size = len(nm)
    listed = LineList(
        wavelength_nm=nm, strength=np.linspace(1.0, 2.0, size), error_nm=np.zeros(size), species=("Xe I",) * size,
        anchor=np.ones(size, dtype=bool), bright=np.ones(size, dtype=bool),
    )  # fmt: skip
    tried = [more_line_triples(listed, beside) for beside in (1, 10, 60, 250, 100_000)]
    counts = [len({tuple(row) for row in rows.tolist()}) for rows in tried]
    assert counts == [len(rows) for rows in tried]
    assert counts[0] > 0.5 * comb(size, 3)
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > 4 * counts[2] > 8 * counts[3]
    assert counts[-1] > 0


def test_variances_of_least_squares_are_those_of_the_inverse():
    rng = np.random.default_rng(2)
    design = rng.normal(size=(3, 40, 5)) * np.array([1.0, 1e-4, 30.0, 1.0, 5.0])
    exact = np.diagonal(np.linalg.inv(np.swapaxes(design, 1, 2) @ design), axis1=1, axis2=2)
    assert normal_variances(design) == pytest.approx(exact, rel=1e-6)
    noise = rng.normal(size=(4000, 40))
    scatter = np.var(normal_solve(np.broadcast_to(design[0], (4000, 40, 5)), noise), axis=0)
    assert scatter == pytest.approx(normal_variances(design[0]), rel=0.12)
