"""Bands whose strengths may each be a little wrong: a factor of its own for every bright band, near one.

Which part of an upper level's photons a band has is known to 5 to 30 % only. Were that no more than noise of every
pixel under the band, a faint species there would have to outshine it, though a band has one strength and hundreds of
pixels; with a factor for each, within the error of the tables, what is left under the band is as good as its shape.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.bands import upper_level_lines
from glowledger.glow.emitters import Emitter
from glowledger.glow.loose_templates import LooseTemplates
from glowledger.glow.templates import placed
from glowledger.glow.width_scale import WidthScale

LEVEL_MARK = " v'="  # in the label of an emitter that is one vibrational level
RIPPLE = 0.05  # relative, of the response within a band's reach beside its smooth course (common practice, no source)
FAINTEST = 0.002  # of the level's photons: fainter bands have no factor
FAINT_DOUBT = 0.2  # of the brightest branch of its level: one as faint as that errs 1.4 times as much
MOST_DOUBT = 1e3  # of brightest over faint: beyond it, faint branches are below any noise
TELLING = 2.0  # standard deviations of random noise that its error must come to, or a band has no factor
MOST_ERROR = 0.3  # relative: with more room than that a factor would paint whatever else stands there
LEAST_STRENGTH = -0.9  # relative change of a band
MOST_BANDS = 60  # each is a column more for every fit

# signal to noise of light at places, nm, shape (k,), of photons each, shape (k,)
SignalToNoise = Callable[[NDArray[np.float64], NDArray[np.float64]], float]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Band:
    emitter: int
    nm: NDArray[np.float64]
    rate: NDArray[np.float64]
    error: float
    told: float  # by how many standard deviations of random noise its error shows


def loose_bands(
    emitters: tuple[Emitter, ...], amounts: NDArray[np.float64], scale: WidthScale, seen: SignalToNoise
) -> LooseTemplates | None:
    """Return the bands that are bright enough for an error of their strength to show; None if there are none.

    Parameters
    ----------
    emitters : tuple of m Emitter
        Of a scene.
    amounts : ndarray of shape (m,)
        Light of each.
    scale : WidthScale
        Of the scene's grid.
    seen : callable
        Signal to noise of a band.
    """
    bands = [
        band for number in np.flatnonzero(amounts > 0).tolist()
        for band in _bands(number, emitters[number], float(amounts[number]), seen)
    ]  # fmt: skip
    if not bands:
        return None
    least = max(TELLING, sorted((band.told for band in bands), reverse=True)[: MOST_BANDS + 1][-1])
    bands = [band for band in bands if band.told > least][:MOST_BANDS]
    if not bands:
        return None
    return LooseTemplates(
        emitter=np.array([band.emitter for band in bands], dtype=np.intp), share=np.ones(len(bands)),
        grid=placed([band.nm for band in bands], [band.rate for band in bands], scale),
        quantity=np.arange(len(bands)), error=np.array([band.error for band in bands]), found=np.zeros(len(bands)),
        limits=(LEAST_STRENGTH, np.inf),
    )  # fmt: skip


def _bands(number: int, emitter: Emitter, amount: float, seen: SignalToNoise) -> list[_Band]:
    """Return the bands of an emitter that is a single vibrational level."""
    name, mark, v = emitter.label.rpartition(LEVEL_MARK)
    if not mark or emitter.summed:
        return []
    found = []
    rates = [(nm, emitter.rate[rows]) for rows, nm in _rows_of(name, int(v))]
    shares = [float(rate.sum()) for _, rate in rates]
    for (nm, rate), share in zip(rates, shares, strict=True):
        if share > FAINTEST:
            weak = max(shares) / share
            table = emitter.branching_error * float(np.sqrt(1.0 + FAINT_DOUBT * min(weak, MOST_DOUBT)))
            error = min(float(np.hypot(table, RIPPLE)), MOST_ERROR)
            told = error * seen(nm, amount * rate)
            found.append(_Band(emitter=number, nm=nm, rate=rate, error=error, told=told))
    return found


@cache
def _rows_of(name: str, v: int) -> tuple[tuple[NDArray[np.intp], NDArray[np.float64]], ...]:
    """Return, for each band from a level, which of its lines are in it, and where they stand, nm."""
    lines = upper_level_lines(name, v)
    rows = [np.flatnonzero(lines.v_lower == band) for band in np.unique(lines.v_lower)]
    return tuple((here, lines.wavelength_nm[here]) for here in rows)
