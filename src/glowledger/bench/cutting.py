"""Polynomials through placed lines, and how far they hold: ends that contradict are cut, and the curve drawn anew."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.broken_scale import unbroken
from glowledger.bench.identified import Identified
from glowledger.bench.nearby import PULL
from glowledger.bench.outer_lines import WELL_PLACED, agreeing_ends, borne_out_ends
from glowledger.bench.polynomial import LineFit, best_degree
from glowledger.bench.shots import Shot
from glowledger.bench.whole_spectrum import MOST_MISFIT, WholeFit, WholeSpectrum

Floats = NDArray[np.float64]
_Cut = Callable[[NDArray[np.intp], NDArray[np.intp], LineFit], NDArray[np.intp]]  # lines left of some; of those kept

# of their stated errors, by which lines usually scatter: these count in neighbours and shapes that most do not have.
# Settled as told at `outer_lines.GOOD_TO`
USUAL_SHARE = 0.7
MOST_CUT = 4  # times that a range is cut at ends that contradict the curve, and the curve drawn anew
FEWEST_KEPT = 3  # lines
USUAL_STRANGERS, NEIGHBOURS = 1, 8  # lines out of place that are no sign of more, of all and of the nearest


def fitted(found: Identified, rows: NDArray[np.intp], span: float) -> LineFit | None:
    """Return the polynomial through some lines; None if there are too few."""
    if len(rows) < FEWEST_KEPT:
        return None
    try:
        fit = best_degree(found.u[rows], found.wavelength_nm[rows], found.error_nm[rows], span, USUAL_SHARE)
    except ValueError:
        return None
    return fit if np.count_nonzero(fit.weight > 0.05) > 2 else None


def as_ill_told(fit: LineFit, whole: WholeFit) -> LineFit:
    """Return a fit with the errors that lines have where those of the list do not tell the whole spectrum.

    Light of no list that shows between the lines is in their flanks as well, and pulls them as it pulls the others.
    That of phosphors differs between makes: beside it only how well the light at the lines themselves is told counts.
    """
    if whole.trusted:
        return fit
    misfit = whole.chi2
    if whole.of_phosphors and whole.few_strange:
        misfit = whole.misfit_of_lines
        if misfit < MOST_MISFIT:
            return fit
    worse = float(np.sqrt(np.clip(misfit, 1.0, MOST_MISFIT)))
    scatter, share = worse * fit.scatter_nm, worse * fit.error_share
    return replace(fit, covariance=worse**2 * fit.covariance, error_share=share, scatter_nm=scatter)


def cut_back(
    found: Identified,
    kept_alive: tuple[NDArray[np.intp], NDArray[np.intp]],
    fit: LineFit,
    shots: list[Shot],
    span: float,
    by_whole: tuple[WholeSpectrum, WholeFit] | None,
) -> tuple[NDArray[np.intp], NDArray[np.intp], LineFit] | None:
    """Return the lines of a fit and those that may carry it, up to where the scale holds, and the fit of these alone.

    None if too few are left.
    """
    kept, alive = kept_alive
    cuts: list[_Cut] = [
        before_break := lambda rows, _, by: unbroken(found, rows, by, shots),
        *(lambda rows, _, by: agreeing_ends(found, rows, by),) * MOST_CUT,
        before_break,
        *(lambda rows, of, by: borne_out_ends(found, rows, of, by),) * MOST_CUT,
    ]
    for ends_of in cuts:
        inside = ends_of(alive, kept, fit)
        if len(inside) < len(alive):  # what lies beyond may be of another scale, and may have bent this one
            ends = np.min(found.u[inside]), np.max(found.u[inside])
            kept = kept[(found.u[kept] >= ends[0]) & (found.u[kept] <= ends[1])]
            again = fitted(found, kept, span)
            if again is None:
                return None
            fit = again if by_whole is None else as_ill_told(again, by_whole[1])
            alive = inside[np.isin(inside, kept[fit.weight > 0.05])]
    return kept, alive, fit


def with_excess(
    found: Identified, kept: NDArray[np.intp], alive: NDArray[np.intp], dropped: Floats
) -> tuple[Identified, NDArray[np.intp], NDArray[np.intp]]:
    """Return the lines with larger errors where many of them contradict, the rows to fit then, and which contradict.

    Lines of no list in the flanks of others pull these; which ones is not known, and those that agree may agree by
    chance.
    """
    low, high = np.min(found.wavelength_nm[alive]), np.max(found.wavelength_nm[alive])
    clear = found.vague & (found.error_nm < WELL_PLACED * found.width_nm)
    inside = clear & (found.wavelength_nm > low) & (found.wavelength_nm < high)
    back = np.flatnonzero(inside & np.isin(found.wavelength_nm, dropped))
    out = np.setdiff1d(np.union1d(kept[clear[kept]], back), alive)
    everyone = np.union1d(out, alive)
    share = max(len(out) - USUAL_STRANGERS, 0) / len(everyone)
    near = np.argsort(np.abs(found.u[:, None] - found.u[None, everyone]), axis=1)[:, :NEIGHBOURS]
    beside = np.sum(np.isin(everyone[near], out), axis=1)
    share = np.maximum(share, np.maximum(beside - USUAL_STRANGERS, 0) / near.shape[1])
    if np.max(share) == 0.0:
        return found, kept, out
    error = np.hypot(found.error_nm, PULL * found.width_nm * np.sqrt(share))
    return replace(found, error_nm=error), np.union1d(kept, back), out
