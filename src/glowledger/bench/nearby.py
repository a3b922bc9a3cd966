"""Curves near a solution that its peaks could follow as well: what the lines towards the ends may be instead.

The blind match tells scales apart that differ everywhere. Towards the ends of the axis, where lines are few, a curve
may still bend to a neighbour of the right line. Such curves are looked for on purpose and weighed like the solution,
and so are matched scales that differ in few lines. Between the lines that they share, two curves differ as well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.chebyshev import chebval, chebvander
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from glowledger.bench.evidence import Candidate
from glowledger.bench.hypotheses import Prior, first_of_alike
from glowledger.bench.matching import View, quick_scores, refine

Floats = NDArray[np.float64]

LOCAL = Prior(bend=0.02, twist=0.007, ripple=0.0015, wiggle=0.0008)  # grating equation over a flat chip
SHARP = (0.04, 0.0)  # of the FWHM: how near lines lie to the right curve, blends included
TERMS = 6
GRID = np.linspace(-1.0, 1.0, 65)
FROM_GRID = np.linalg.pinv(chebvander(GRID, TERMS - 1))  # coefficients of the series that comes nearest on the grid
PIVOTS = (0.08, 0.2, 0.35, 0.5, 0.65, 0.8)  # quantiles of the matched peaks; beyond, the curve is bent
BENDS = (0.7, 1.2, 1.8, 2.5, 3.5, 5.0, 7.0)  # of the FWHM at the end of the axis
TOLERANCES = (1.0, 0.7, 0.5, 0.35, 0.25, 0.2)
MOST_SCORED, SAME = 30, 0.15  # curves; of the FWHM: nearer ones are one
# of the FWHM: a curve so far off takes lines for others (these are further apart); a curve so far off does harm
ANOTHER, HARM = 0.3, 0.15
GONE = -0.7  # natural log: price of a bright line that is not shown although its place holds a stray peak
DARK = -2.2  # natural log of the odds that a lamp does not show one of its bright lines; common practice, no source
MOST_CHANCE = 0.99  # of a stray, that a line is counted with
BETWEEN = 9  # places from one line to the next
MOST_STRAYS, MOST_PULLED, PULL = 12, 2, 0.2  # lines of one side; of the FWHM


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Nearby:
    """A solution and the curves near it.

    Attributes
    ----------
    own : Candidate
        The best of them.
    others : list of Candidate
        Curves that differ from it.
    moved : bool
        Whether the best one is not the solution that was given.
    u : ndarray of shape (m,)
        Where the peaks are.
    span : float
        Of the axis, nm.
    told : ndarray of shape (k,) or None
        Natural log of the odds of the best one over each other by the whole spectrum; NaN where that was not asked,
        infinite where the spectrum leads the other to the same curve.
    """

    own: Candidate
    others: list[Candidate]
    moved: bool
    u: Floats
    span: float
    told: Floats | None = None

    def risk(self, u: Floats, width_nm: Floats, pulled: tuple[float, float]) -> Floats:
        """Return the chance (k,) that the curve is off by more than `HARM` of the width at places u.

        `pulled` is the chance that a neighbour of no list pulls a faint, a bright line out of its place.
        """
        return self._weighed_harm(u[:, None], width_nm, pulled)

    def risk_between(self, u: Floats, width_nm: Floats, pulled: tuple[float, float]) -> Floats:
        """Return the largest such chance (k - 1,) from each of places u (k,), rising, to the next.

        What is uncertain there though every line is what it seems does not count: the errors of the solution tell that.
        """
        if len(u) < 2:
            return np.zeros(0)
        places = u[:-1, None] + np.diff(u)[:, None] * np.linspace(0.0, 1.0, BETWEEN)
        return self._weighed_harm(places, np.minimum(width_nm[1:], width_nm[:-1]), pulled, between=True)

    def _weighed_harm(
        self, places: Floats, width_nm: Floats, pulled: tuple[float, float], *, between: bool = False
    ) -> Floats:
        """Return the chance (k,) that the curve is off by more than `HARM` of widths (k,): most of places (k, b)."""
        at, width = places.ravel(), np.repeat(width_nm, places.shape[1])
        own = chebval(at, self.own.scale)
        off = np.array([np.abs(chebval(at, c.scale) - own) > ANOTHER * width for c in self.others])
        log_weight, chance = self._doubts(at, width, pulled, between=between)
        harm = np.vstack([off.reshape(-1, len(at)), chance])
        weight = np.exp(np.concatenate([self.log_weights(), np.minimum(log_weight, 50.0)]))
        risk = (weight @ harm) / (1.0 + np.sum(weight)) + self._lone_stray(at, width)
        return np.asarray(np.max(risk.reshape(places.shape), axis=1, initial=0.0))

    def log_weights(self) -> Floats:
        """Return ln of the odds of each other curve over the solution, at most 0: by what speaks against it most."""
        evidence = np.array([c.log_evidence for c in self.others]).reshape(-1)
        weight = np.minimum(evidence - self.own.log_evidence, 0.0)
        if self.told is None:
            return weight
        asked = ~np.isnan(self.told)
        against = np.minimum(np.where(asked, -self.told, weight), 0.0)
        return np.where(asked & (self.told < 0.0), 0.0, np.minimum(weight, against))

    def _doubts(
        self, u: Floats, width_nm: Floats, pulled: tuple[float, float], *, between: bool = False
    ) -> tuple[Floats, Floats]:
        """Return log weight (q,) and chance of harm (q, k) if outer lines of one side are strays, or one is pulled.

        Or an inner one that a lamp only may show, so that a stranger may stand there unnoticed: where those further out
        are blends, the curve hangs on it. That does harm as far as the curve is not uncertain anyway; `between` lines
        all does.
        """
        own, places, lines = self.own, self.u[self.own.peak], self._lines()
        bright = own.listed.bright[own.line]
        order = np.argsort(places)
        strays, moved = [], []
        for side in (order, order[::-1]):
            strays += [side[:m] for m in range(1, min(len(order) - 1, MOST_STRAYS) + 1)]
            moved += side[:MOST_PULLED].tolist()
        inner = [k for k in order[MOST_PULLED:-MOST_PULLED].tolist() if not bright[k]]
        moved += inner
        sigma = np.tile(own.sigma_nm, (1 + len(strays) + len(moved), 1))
        price = np.zeros(len(sigma) - 1)
        for k, rows in enumerate(strays):
            sigma[1 + k, rows] = np.inf
            price[k] = GONE * float(np.count_nonzero(bright[rows])) - float(np.sum(own.gain[rows]))
        for k, row in enumerate(moved, len(strays)):
            width = float(np.interp(places[row], u, width_nm)) if len(u) > 1 else float(width_nm[0])
            sigma[1 + k, row] = np.hypot(sigma[1 + k, row], PULL * width)
            price[k] = float(np.log(pulled[int(bright[row])]))
        curves = lines.posterior(sigma)
        room, density = curves.log_room[1:] - curves.log_room[0], curves.log_density[1:] - curves.log_density[0]
        price += np.where(np.arange(len(price)) < len(strays), room, density)
        harm = curves.harm(_basis(u, len(own.scale)), HARM * width_nm)
        first = 1 if between else len(harm) - len(inner)
        harm[first:] = np.maximum(harm[first:] - harm[0], 0.0)
        return price, harm[1:]

    def _lone_stray(self, u: Floats, width_nm: Floats) -> Floats:
        """Return the chance of harm (k,) by any one of the inner lines, if this is a stray and all others are right.

        Whether one is a stray does not hang on whether another is: these chances add up.
        """
        own = self.own
        inner = np.argsort(self.u[own.peak])[1:-1]
        if len(inner) == 0:
            return np.zeros(len(u))
        sigma = np.tile(own.sigma_nm, (1 + len(inner), 1))
        stray = np.arange(1, 1 + len(inner)), inner
        sigma[stray] = np.inf
        lines = self._lines()
        room = lines.posterior(sigma).log_room
        chance = expit(room[1:] - room[0] - own.gain[inner] + DARK * own.listed.bright[own.line][inner])
        sigma[:, inner] = own.sigma_nm[inner] / np.sqrt(1.0 - np.minimum(chance, MOST_CHANCE))
        sigma[stray] = np.inf
        harm = lines.posterior(sigma).harm(_basis(u, len(own.scale)), HARM * width_nm)
        harm = np.maximum(harm[1:] - harm[0], 0.0)  # what is uncertain anyway the errors of the solution tell
        return np.asarray(chance @ harm)

    def _lines(self) -> _Lines:
        """Return the lines that hold the solution."""
        own, places = self.own, self.u[self.own.peak]
        return _Lines(
            basis=_basis(places, len(own.scale)),
            off_nm=own.listed.wavelength_nm[own.line] - chebval(places, own.scale),
            prior_sd=LOCAL.spread(self.span, len(own.scale)), scale=own.scale,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Posterior:
    """What each of q curves may be: changes of coefficients (q, d + 1), covariances; logs of density and room (q,)."""

    move: Floats
    covariance: Floats
    log_density: Floats
    log_room: Floats

    def harm(self, at: Floats, limit: Floats) -> Floats:
        """Return the chance (q, k) that a curve is off by more than limits (k,) at rows of a basis (k, d + 1)."""
        se = np.sqrt(np.sum((at @ self.covariance) * at, axis=-1))
        miss = self.move @ at.T
        return np.asarray(ndtr((miss - limit) / se) + ndtr(-(miss + limit) / se))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Lines:
    """Lines that hold a curve: basis (m, d + 1), how far they lie off it (m,), prior and coefficients (d + 1,)."""

    basis: Floats
    off_nm: Floats
    prior_sd: Floats
    scale: Floats

    def posterior(self, sigma_nm: Floats) -> _Posterior:
        """Return the curves that lines with errors (q, m) allow; an infinite error leaves a line out."""
        terms, rate = len(self.prior_sd), 1.0 / sigma_nm**2
        bent = np.concatenate([[0.0, 0.0], self.scale[2:]])
        products = (self.basis[:, :, None] * self.basis[:, None, :]).reshape(-1, terms**2)
        precision = (rate @ products).reshape(-1, terms, terms) + np.diag(1.0 / self.prior_sd**2)
        covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
        pull = (rate * self.off_nm) @ self.basis - bent / self.prior_sd**2
        move = (covariance @ pull[..., None])[..., 0]
        room = -0.5 * np.linalg.slogdet(precision)[1] - float(np.sum(np.log(self.prior_sd)))
        chi2 = np.sum(rate * (self.off_nm - move @ self.basis.T) ** 2, axis=1)
        chi2 += np.sum(((bent + move) / self.prior_sd)[:, 2:] ** 2, axis=1)
        used = np.where(np.isfinite(sigma_nm), sigma_nm, 1.0)
        density = room - 0.5 * chi2 - np.sum(np.log(used), axis=1)
        return _Posterior(move=move, covariance=covariance, log_density=density, log_room=room)


def _basis(u: Floats, terms: int) -> Floats:
    """Return Chebyshev polynomials at u, shape (m, terms)."""
    return np.asarray(chebvander(u, terms - 1), dtype=np.float64)


def nearby_curves(view: View, coefficients: Floats, *, stay: bool = False) -> Nearby:
    """Look for curves near a solution and weigh them.

    Parameters
    ----------
    view : View
        Peaks and lamp.
    coefficients : ndarray
        Chebyshev coefficients of the solution over u in -1..1, nm.
    stay : bool
        Keep the solution even if another curve has the better evidence.
    """
    pattern = view.pattern
    own = of_terms(coefficients)
    span = 2.0 * abs(float(own[1]))
    width = 0.5 * span * float(np.median(pattern.fwhm_u))
    starts = np.vstack([own[None, :], own + _bent(np.sort(pattern.u), width)])
    scales = refine(starts, pattern, view.lists[0], LOCAL, TOLERANCES)
    alive = _rising(scales) & (np.sign(scales[:, 1]) == np.sign(own[1]))
    alive[0] = True
    scales = scales[alive]
    scales = scales[_distinct(scales, np.sort(pattern.u), width)]
    if len(scales) > MOST_SCORED:
        quick = quick_scores(scales[1:], pattern, view.lists[0])
        scales = np.vstack([scales[:1], scales[1:][np.argsort(-quick)[: MOST_SCORED - 1]]])
    found = view.scores(scales, LOCAL, SHARP)
    best = 0 if stay else int(np.argmax([c.log_evidence for c in found]))
    others = [c for k, c in enumerate(found) if k != best]
    return Nearby(own=found[best], others=others, moved=best > 0, u=pattern.u, span=span)


def beside_matched(near: Nearby, view: View, *, stay: bool = False) -> Nearby:
    """Return a solution with the matched scales that are like it, drawn to their lines, among the curves near it.

    However far from the others the lines lie in which such scales differ, one of them may be right. If it has the
    better evidence, it takes the place of the solution, unless this is to `stay`.
    """
    if not view.alike:
        return near
    pattern, known = view.pattern, [near.own, *near.others]
    scales = refine(np.array([of_terms(c.scale) for c in view.alike]), pattern, view.lists[0], LOCAL, TOLERANCES)
    every = np.vstack([*(c.scale for c in known), scales[_rising(scales)]])
    width = 0.5 * near.span * float(np.median(pattern.fwhm_u))
    new = [k for k in _distinct(every, np.sort(pattern.u), width) if k >= len(known)]
    known += view.scores(every[new], LOCAL, SHARP)
    best = 0 if stay else int(np.argmax([c.log_evidence for c in known]))
    others = [c for k, c in enumerate(known) if k != best]
    return replace(near, own=known[best], others=others, moved=near.moved or best > 0)


def _rising(scales: Floats) -> NDArray[np.bool_]:
    """Return which scales (h, d + 1) do not turn back."""
    return np.asarray(np.all(np.sign(scales[:, 1:2]) * np.diff(chebval(GRID, scales.T), axis=1) > 0, axis=1))


def weighed(view: View, coefficients: Floats) -> Candidate:
    """Return the evidence of a curve, weighed as `nearby_curves` weighs."""
    return view.scores(of_terms(coefficients)[None, :], LOCAL, SHARP)[0]


def of_terms(coefficients: Floats) -> Floats:
    """Return a curve as a series of `TERMS` coefficients."""
    return np.asarray(FROM_GRID @ chebval(GRID, coefficients))


def _bent(u: Floats, width: float) -> Floats:
    """Return changes of the coefficients (h, TERMS) that bend one end of a curve."""
    shapes = []
    for side in (-1.0, 1.0):
        pivot = np.quantile(side * u, 1.0 - np.array(PIVOTS))[:, None]
        shapes.append(np.clip((side * GRID - pivot) / np.maximum(1.0 - pivot, 0.05), 0.0, None) ** 1.5)
    sizes = width * np.array([sign * size for size in BENDS for sign in (-1.0, 1.0)])
    changes = np.concatenate(shapes) @ FROM_GRID.T
    return (sizes[:, None, None] * changes[None, :, :]).reshape(-1, TERMS)


def _distinct(scales: Floats, u: Floats, width: float) -> list[int]:
    """Return the first of each group of scales that are the same where peaks are."""
    places = u[np.linspace(0, len(u) - 1, min(len(u), 12)).astype(int)]
    return first_of_alike(scales @ chebvander(places, scales.shape[1] - 1).T, SAME * width)
