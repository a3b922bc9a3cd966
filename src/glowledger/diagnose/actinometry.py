"""Actinometry: atoms of O, H, N against a known trace of argon."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from glowledger.diagnose.state import SEEN, StateReading, emitter_rows, ratio_of, summed_amplitude, untold
from glowledger.glow.results import Fit

SOURCES = (
    "Coburn & Chen, J. Appl. Phys. 51, 3134 (1980)",
    "Walkup, Saenger & Selwyn, J. Chem. Phys. 84, 2668 (1986)",
)
ARGON_LABEL = r"Ar I 13\.48 eV$"  # 2p1, 750.39 nm: little fed by cascades and metastables
ARGON_NM = 750.387


@dataclass(frozen=True, slots=True, kw_only=True)
class ActinometerPair:
    """An atom that can be followed against Ar 750.4.

    Attributes
    ----------
    name : str
        ``O/Ar``.
    label : str
        Regular expression of the emitter's label in a fit.
    wavelength_nm : float
        Its strongest line, nm in air.
    upper_ev : float
        Its upper energy (NIST ASD).
    caution : str
        What else lights it up.
    """

    name: str
    label: str
    wavelength_nm: float
    upper_ev: float
    caution: str


PAIRS = (
    ActinometerPair(
        name="O/Ar",
        label=r"O I 10\.99 eV$",
        wavelength_nm=844.636,
        upper_ev=10.989,
        caution="O 844.6 also comes from O2 broken up and excited in one impact (16.1 eV), the more so the "
        "less O2 is dissociated; O 777.4 is worse and is not used (Walkup 1986).",
    ),
    ActinometerPair(
        name="H/Ar",
        label=r"H I 12\.09 eV$",
        wavelength_nm=656.279,
        upper_ev=12.088,
        caution="H alpha also comes from H2, H2O and hydrocarbons broken up and excited in one impact, and "
        "is quenched by H2 and H2O: at low dissociation it follows those molecules, not the atoms.",
    ),
    ActinometerPair(
        name="N/Ar",
        label=r"N I (12\.00|11\.99) eV$",
        wavelength_nm=746.831,
        upper_ev=11.996,
        caution="N 746.8 stands on the first positive bands of N2 and also comes from N2 broken up in one "
        "impact (threshold about 22 eV); it needs strong dissociation.",
    ),
)
CONDITIONS = (
    "It follows the atoms only while the share of argon is known and the same (1 to 5 %, so that it does not "
    "change the plasma), the energies of the electrons keep their shape, and pressure (quenching) stays.",
    "O, H and N lines start at 11 to 12 eV, Ar 750.4 at 13.5 eV: a change of electron energies moves the "
    "ratio without any change of atoms.",
)
FACTOR_THREE = "Absolute values by actinometry have been off by a factor of about 3 against absorption measurements."


def actinometry_constant(
    wavelength_nm: tuple[float, float],
    response: tuple[float, float],
    rate_m3_s: tuple[float, float],
    branching: tuple[float, float],
    *,
    photons: bool = True,
) -> float:
    """Return K of n_X / n_Ar = K · I_X / I_Ar.

    Parameters
    ----------
    wavelength_nm, response, rate_m3_s, branching : tuple of float
        Of X and of Ar: line, response of the spectrometer, electron-impact excitation rate constant from
        the ground state, and `branching_with_quenching`.
    photons : bool
        Whether intensities and response are in photons; else in power, with the factor λ_X / λ_Ar.

    Returns
    -------
    float

    Notes
    -----
    Coburn & Chen, J. Appl. Phys. 51, 3134 (1980): K = (λ_X S_Ar k_Ar a_Ar) / (λ_Ar S_X k_X a_X), the λ for
    intensities in power.
    """
    (lx, lar), (sx, sar), (kx, kar), (ax, aar) = wavelength_nm, response, rate_m3_s, branching
    constant = (sar * kar * aar) / (sx * kx * ax)
    return constant if photons else constant * lx / lar


def branching_with_quenching(a_line: float, a_total: float, quenchers: Sequence[tuple[float, float]] = ()) -> float:
    """Return the part of excited atoms that emit the line.

    Parameters
    ----------
    a_line, a_total : float
        Transition rate of the line and of all lines of its upper level, s^-1.
    quenchers : sequence of (float, float)
        Quenching rate constant, m^3/s, and density of the quencher, m^-3.

    Returns
    -------
    float
        a = A / (A_total + Σ k_q n_q).
    """
    return a_line / (a_total + sum(k * n for k, n in quenchers))


def actinometry(
    fit: Fit,
    pair: ActinometerPair,
    constant: tuple[float, float] | None = None,
    argon_share: float | None = None,
) -> StateReading:
    """Read a ratio of atoms to argon from a fit.

    Parameters
    ----------
    fit : Fit
        With emitters per upper level.
    pair : ActinometerPair
        One of `PAIRS`.
    constant : (float, float), optional
        K of `actinometry_constant` and its relative standard error, from the user's own rate constants.
        Without it the reading is the ratio of counts, good for trends in one set-up.
    argon_share : float, optional
        Mole fraction of argon in the gas; with `constant` the reading is the mole fraction of the atoms.

    Returns
    -------
    StateReading
    """
    name = f"{pair.name} actinometry ratio"
    atom, argon = emitter_rows(fit, pair.label), emitter_rows(fit, ARGON_LABEL)
    missing = _missing(fit, pair, atom, argon)
    if missing:
        return untold(name, "1", missing, cautions=(*CONDITIONS, pair.caution), sources=SOURCES)
    top, top_variance = summed_amplitude(fit, atom)
    bottom, bottom_variance = summed_amplitude(fit, argon)
    ratio = ratio_of(top, bottom, top_variance, bottom_variance, float(fit.covariance[np.ix_(atom, argon)].sum()))
    value, error, (low, high) = ratio.value, ratio.standard_error, ratio.interval
    reason = (
        f"Ratio of counts {pair.wavelength_nm:.1f} to {ARGON_NM:.1f} nm. Its changes in one set-up follow "
        "the atoms; its size means nothing without the response and your rate constants."
    )
    cautions: tuple[str, ...] = (*CONDITIONS, pair.caution)
    if constant is not None:
        k, k_error = constant
        scale = k * (1.0 if argon_share is None else argon_share)
        error = abs(scale) * float(np.hypot(error, value * k_error))
        spread = np.exp(1.959964 * k_error)  # the constant's error is a factor
        low, high, value = scale * low / spread, scale * high * spread, scale * value
        what = "atoms per argon atom" if argon_share is None else "mole fraction of atoms"
        reason = f"{what[0].upper()}{what[1:]} with the constant you gave."
        cautions += (FACTOR_THREE,)
    return StateReading(
        name=name, value=value, standard_error=error, interval=(low, high), unit="1", told=True,
        reason=reason, cautions=cautions, sources=SOURCES,
    )  # fmt: skip


def _missing(fit: Fit, pair: ActinometerPair, atom: np.ndarray, argon: np.ndarray) -> str:
    """Say why a ratio cannot be formed, or nothing."""
    for rows, line in ((argon, f"Ar {ARGON_NM:.1f}"), (atom, f"{pair.name[0]} {pair.wavelength_nm:.1f}")):
        if not rows.size:
            return f"Cannot tell: {line} nm was not fitted (outside the range, blocked or not seen)."
        counts, variance = summed_amplitude(fit, rows)
        if counts <= SEEN * np.sqrt(variance):
            return f"Cannot tell: {line} nm does not stand out of the noise ({counts:.3g} counts)."
    return ""
