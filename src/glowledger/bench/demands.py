"""How well a curve must be known for lines to carry it: surely, or roughly where so few tell it."""

from __future__ import annotations

from dataclasses import dataclass

from glowledger.bench.outer_lines import GOOD_TO, STILL_GOOD_TO


@dataclass(frozen=True, slots=True, kw_only=True)
class Demands:
    """What lines and the curve through them must fulfil, all in line widths (FWHM).

    Attributes
    ----------
    by_peaks, by_spectrum : float
        Largest standard error between the lines of a curve through peaks, and of one that the whole spectrum places.
    together : float
        How well the lines must tell a shift of a curve that the whole spectrum places.
    shows : float
        Lines and bands placed so well show that a curve through peaks holds there; 0 leaves it to lines that may carry
        a curve alone, and to bands placed well.
    sharp : int
        So many of them must be lines, and not phosphor bands.
    spare : int
        So many lines more than coefficients must agree: with one, a stranger among them is not told from the others.
    rough : bool
        Whether a curve that fulfils no more than this is good to more than a fifth of the width only, and said to be.
    """

    by_peaks: float
    by_spectrum: float
    together: float
    shows: float
    sharp: int
    spare: int
    rough: bool


# of the FWHM: two standard errors are a fifth of it, and what is told of the curve is told with that; how well lines
# must be placed; lines that must not be phosphor bands; lines beyond as many as the curve has coefficients
ROUGH_TO, ROUGH_SHOWS, FEWEST_SHARP, SPARE = 0.1, 0.4, 2, 2

SURELY = Demands(
    by_peaks=STILL_GOOD_TO, by_spectrum=GOOD_TO, together=STILL_GOOD_TO, shows=0.0, sharp=0, spare=0, rough=False
)
ROUGHLY = Demands(
    by_peaks=ROUGH_TO, by_spectrum=ROUGH_TO, together=ROUGH_TO, shows=ROUGH_SHOWS, sharp=FEWEST_SHARP, spare=SPARE,
    rough=True,
)  # fmt: skip
