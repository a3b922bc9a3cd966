"""Which lines may carry a solution: the run of them at which no other curve is likely, and between which it is good."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.identified import Identified
from glowledger.bench.nearby import Nearby
from glowledger.bench.polynomial import LineFit

Floats = NDArray[np.float64]

WELL_PLACED = 0.1  # of the FWHM: error of a line that objects
FEW_OUT, FEW_IN = 0.2, 10.0  # pulled lines and others: how many there are before any was seen
GOOD_TO = 0.075  # of the FWHM: standard error that the solution may have between its lines
MOST_RISK = 0.005  # chance that another curve is right


def pulled_share(found: Identified, alive: NDArray[np.intp], thrown: NDArray[np.intp]) -> tuple[float, float]:
    """Return how often faint and bright lines of this lamp are out of their places, from those that the fit threw out.

    Lines of no list, of the lamp or of strangers, hide in the flanks of others; how many there are, each lamp tells.
    """
    shares = []
    for bright in (False, True):
        out, fine = np.count_nonzero(found.bright[thrown] == bright), np.count_nonzero(found.bright[alive] == bright)
        shares.append((FEW_OUT + out) / (FEW_IN + out + fine))
    return shares[0], shares[1]


def low_risk(
    found: Identified, rows: NDArray[np.intp], near: Nearby, pulled: tuple[float, float]
) -> NDArray[np.intp]:
    """Return the longest run of lines at which no other curve is likely."""
    rows = rows[np.argsort(found.u[rows])]
    good = near.risk(found.u[rows], found.width_nm[rows], pulled) < MOST_RISK
    runs = [run for run in np.split(np.arange(len(rows)), np.flatnonzero(np.diff(good)) + 1) if np.all(good[run])]
    return rows[max(runs, key=len)] if runs else rows[:0]


def well_covered(found: Identified, rows: NDArray[np.intp], fit: LineFit) -> NDArray[np.intp]:
    """Return the longest run of lines between which the solution is good."""
    rows = rows[np.argsort(found.u[rows])]
    if len(rows) < 2:
        return rows
    places = found.u[rows][:-1, None] + np.diff(found.u[rows])[:, None] * np.linspace(0.0, 1.0, 9)[None, :]
    width = np.minimum(found.width_nm[rows][1:], found.width_nm[rows][:-1])
    good = np.max(fit.standard_error_nm(places), axis=1) < GOOD_TO * width
    runs = np.split(np.arange(len(rows)), np.flatnonzero(~good) + 1)
    return rows[max(runs, key=len)]
