"""Blind match of a peak pattern to a lamp: every plausible scale is scored, the best ones are refined."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.chebyshev import chebval, chebvander
from numpy.typing import NDArray

from glowledger.bench.evidence import Candidate
from glowledger.bench.expected import LineList
from glowledger.bench.hypotheses import Prior, admissible, best_of_cells, first_of_alike, triples
from glowledger.bench.matching import SCORED_PEAKS, View, quick_scores, quite_unlike, refine
from glowledger.bench.pattern import GRID_NM, GRID_START_NM, Levels, Pattern, peak_class
from glowledger.bench.triples_tried import hang_on_one, line_triples, more_line_triples, peak_triples, without

Floats = NDArray[np.float64]

WIDE_NM, NARROW_NM, CELL_NM = 1.0, 0.35, 2.5  # tolerances of the rough scores; scales alike to that are one
LOOKED_AT, KEPT, SCORED = 15000, 600, 70
# a first look at few peaks, lines and scales ends the search if it finds a scale of such log odds against chance, in
# all and for each peak, that explains so many of the peaks
FIRST_PEAKS, FIRST_LINES, FIRST_KEPT = (8, 3), (8, 5), 200
DECISIVE, DECISIVE_EACH, DECISIVE_SHARE = 20.0, 0.8, 0.9
# log odds against chance, and over the next scale that is quite another one, at which a second look need not look for
# others: of 154 lamps, right and wrong names, whose first look had found log odds above 0 the second one led none to
# another scale, of 88 above 10 by 10 it left none a margin below 9.6 (fleets of bench_calibration.py from 400000)
LEADING, ALIKE_NM = 10.0, 5.0
# log odds against chance of a first scale that is as good as nothing, and of one that is little for so many peaks
NOTHING, FEW_OF_MANY, MANY_PEAKS = -5.0, 5.0, 20


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """How far a search looks: triples of peaks and of lines, how many scales are kept of each kind.

    If it is to be near a scale, at others no more than to see how that one bends.
    """

    peak_triples: NDArray[np.intp]
    line_triples: NDArray[np.intp]
    kept: int
    near: Candidate | None = None


def _coarse(pattern: Pattern, levels: Levels, prior: Prior, look: _Look) -> Floats:
    """Return the best-scoring distinct scales (2 kept, 4) out of all triples.

    A scale through three lines is off by a few nm elsewhere, or by less: the best by a wide tolerance are kept, and the
    best by a narrow one, which tells far more where lines are sharp.
    """
    middle = levels.lists[len(levels.lists) // 2]
    scales = triples(pattern.u, look.peak_triples, middle.wavelength_nm, look.line_triples, prior)
    if look.near is not None:
        scales = scales[_alike(scales, look.near, pattern)]
    if len(scales) == 0:
        return scales
    kind = levels.kinds(scales, float(np.median(pattern.fwhm_u)))
    wide = _table_scores(scales, kind, pattern, levels, WIDE_NM)
    if len(scales) > LOOKED_AT:
        best = np.argpartition(-wide, LOOKED_AT)[:LOOKED_AT]
        scales, kind, wide = scales[best], kind[best], wide[best]
    narrow = _table_scores(scales, kind, pattern, levels, NARROW_NM)
    kept = [best_of_cells(scales, wide, look.kept, CELL_NM), best_of_cells(scales, narrow, look.kept, 0.5 * CELL_NM)]
    return scales[np.unique(np.concatenate(kept))]


def _alike(scales: Floats, found: Candidate, pattern: Pattern) -> NDArray[np.bool_]:
    """Return which scales (h, 4) agree roughly with a found one in the middle, or on one side, of its matched peaks."""
    places = np.quantile(pattern.u[found.peak], [0.25, 0.5, 0.75])
    reach = ALIKE_NM + 2.0 * abs(float(found.scale[1])) * float(np.median(pattern.fwhm_u))
    off = scales @ chebvander(places, 3).T - chebval(places, found.scale)
    return np.asarray(np.count_nonzero(np.abs(off) < reach, axis=1) >= 2)


def _table_scores(
    scales: Floats, kind: NDArray[np.intp], pattern: Pattern, levels: Levels, tolerance_nm: float
) -> NDArray[np.float32]:
    """Return a rough score (h,) of scales of a kind (h,): log odds of each peak by the list, looked up."""
    used = min(SCORED_PEAKS, len(pattern.u))
    basis = (chebvander(pattern.u[:used], 3) / GRID_NM).astype(np.float32)
    tables = levels.tables(tolerance_nm, np.flatnonzero(np.bincount(kind)))
    flat = tables.reshape(-1)
    length = tables.shape[2]
    classes = (peak_class(used) * length).astype(np.int32)[:, None]
    first_of_kind = (kind * tables.shape[1] * length).astype(np.int32)
    start = np.float32(GRID_START_NM / GRID_NM)
    score = np.empty(len(scales), dtype=np.float32)
    for first in range(0, len(scales), 4000):  # in pieces that stay in the cache
        part = slice(first, first + 4000)
        at = basis @ scales[part].T.astype(np.float32)
        at -= start
        np.clip(at, 0, length - 1, out=at)
        place = at.astype(np.int32)
        place += classes
        place += first_of_kind[part]
        score[part] = flat.take(place).sum(axis=0)
    return score


class Search:
    """A search for the scales of one lamp, look by look.

    Attributes
    ----------
    view : View
        Peaks and lamp.
    found : list of Candidate
        Scales, weighed.
    """

    def __init__(self, view: View, prior: Prior) -> None:
        """Begin a search within bounds on the instrument."""
        self.view, self.prior, self.found = view, prior, list[Candidate]()
        self._last: _Look | None = None

    @property
    def possible(self) -> bool:
        """Whether there are peaks and lines enough to search with."""
        return bool(self.view.lists)

    @property
    def best(self) -> Candidate | None:
        """The best scale, if there is any."""
        return max(self.found, key=lambda c: c.log_evidence, default=None)

    @property
    def leading(self) -> Candidate | None:
        """The scale that leads so clearly that no other one can be right, though this one may be bent; or none."""
        best = self.best
        if best is None or best.log_evidence < LEADING:
            return None
        least = best.log_evidence - LEADING
        rivals = [c for c in self.found if c.log_evidence > least and quite_unlike(c, best)]
        return None if rivals else best

    def has_another(self, least: float, than: Candidate, pattern: Pattern) -> bool:
        """Return whether a scale of such log odds is not even roughly the one that another lamp has, with its peaks."""
        rivals = np.array([c.scale for c in self.found if c.log_evidence > least])
        return len(rivals) > 0 and not bool(np.all(_alike(rivals, than, pattern)))

    @property
    def decided(self) -> bool:
        """Whether a scale explains the peaks so well that no other one can be right."""
        return any(_decisive(candidate, len(self.view.pattern.u)) for candidate in self.found)

    @property
    def wants_more(self) -> bool:
        """Whether so little was found that lines which are bright nowhere may be tried as well, or only by one peak."""
        few, evidence = len(self.view.pattern.u) < MANY_PEAKS, -np.inf if self.best is None else self.best.log_evidence
        hangs = self._last is not None and hang_on_one(self._last.peak_triples) and not self.decided
        return evidence < (NOTHING if few else FEW_OF_MANY) or hangs

    def look(self) -> None:
        """Look at few peaks and lines."""
        self._look(_Look(
            peak_triples=peak_triples(self.view.pattern, *FIRST_PEAKS),
            line_triples=line_triples(self._middle, FIRST_LINES[1], FIRST_LINES[0]), kept=FIRST_KEPT,
        ))  # fmt: skip

    def look_again(self, near: Candidate | None) -> None:
        """Look at more of them, near a scale if one leads."""
        rows, peaks = line_triples(self._middle), peak_triples(self.view.pattern)
        self._look(_Look(peak_triples=peaks, line_triples=rows, kept=KEPT, near=near))

    def look_at_more(self) -> None:
        """Look at lines that were not tried yet."""
        if self._last is not None:
            rows = more_line_triples(self._middle, len(self._last.peak_triples))
            self._look(replace(self._last, line_triples=without(rows, self._last.line_triples)))

    def look_at(self, scale: Floats) -> Candidate | None:
        """Look at a scale that another lamp has, drawn to the lines of this one, and return what becomes of it."""
        found = _drawn(scale[None, :], self.view, self.prior)
        self.found += found
        return found[0] if found else None

    def distinct(self) -> list[Candidate]:
        """Return the distinct scales found, best evidence first."""
        found = sorted(self.found, key=lambda c: -c.log_evidence)
        return _unlike(found, self.view.pattern) if found else found

    @property
    def _middle(self) -> LineList:
        lists = self.view.lists[0].lists
        return lists[len(lists) // 2]

    def _look(self, look: _Look) -> None:
        self._last = look
        self.found += _drawn(_coarse(self.view.pattern, self.view.lists[0], self.prior, look), self.view, self.prior)


def match(view: View, prior: Prior) -> list[Candidate]:
    """Return distinct candidate scales for a peak pattern, best evidence first.

    Parameters
    ----------
    view : View
        Peaks and lamp.
    prior : Prior
        Bounds on the instrument.

    Returns
    -------
    list of Candidate
        Empty when there are fewer than three peaks or lines.
    """
    search = Search(view, prior)
    if not search.possible:
        return []
    search.look()
    if not search.decided:
        search.look_again(search.leading)
    if search.wants_more:
        search.look_at_more()
    return search.distinct()


def _decisive(candidate: Candidate, peaks: int) -> bool:
    """Return whether a scale explains so many of so many peaks so well that no other one can be right."""
    least = max(DECISIVE, DECISIVE_EACH * peaks)
    return candidate.log_evidence > least and len(candidate.peak) >= DECISIVE_SHARE * peaks


def _drawn(scales: Floats, view: View, prior: Prior) -> list[Candidate]:
    """Return scales (h, 4) through triples of lines, refined and weighed: the best ones."""
    pattern, levels = view.pattern, view.lists[0]
    refined = refine(scales, pattern, levels, prior) if len(scales) else scales
    refined = refined[admissible(refined, prior)]
    if len(refined) == 0:
        return []
    quick = quick_scores(refined, pattern, levels)
    best = best_of_cells(refined, quick, SCORED, 0.5 * float(np.median(pattern.fwhm_u)) * 300.0)
    return view.scores(refined[best], prior)


def _unlike(found: list[Candidate], pattern: Pattern) -> list[Candidate]:
    """Return candidates that differ from every better one by more than a line width somewhere among peaks."""
    places = np.linspace(np.min(pattern.u), np.max(pattern.u), 9)
    scales = np.array([candidate.scale for candidate in found], dtype=np.float64)
    at = np.asarray(scales @ chebvander(places, scales.shape[1] - 1).T, dtype=np.float64)
    return [found[k] for k in first_of_alike(at, np.abs(scales[:, 1]) * float(np.median(pattern.fwhm_u)))]
