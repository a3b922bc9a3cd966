"""Contaminant over reference, with standard errors that stay honest when either is weak; choice of the reference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import RunError
from glowledger.glow.results import SeriesFit

Floats = NDArray[np.float64]

TOTAL = "total light"
INERT = ("He I", "Ne I", "Kr I", "Xe I")  # like argon they make nothing with what comes off; common practice, no source
# Process gases in the order of merit as reference: an inert actinometer first, then what the recipe feeds
REFERENCES = ("Ar I", "O I", "N2", *INERT, "H2")
# Light of the reference's own gas, which is no contaminant beside it
OWN_GAS = {"H2": ("H I",)}
TRACE = 0.02  # of the light of nitrogen: oxygen this faint is no feed, and may come off the part itself (air has 0.05)
HYDROGEN = 0.5  # of all species' light: below this H2 is a trace in another gas, which it must not be divided by
# What comes off dirty parts and electrodes (TRADE: O2 or air: CO, OH, H; Ar or H2: CH, C2, CN, H; conditioning: Na, K)
CONTAMINANTS = (
    "CO", "OH", "H I", "CH", "C2", "CN", "CO+", "CO2+", "C I", "NH", "NO", "Na I", "K I", "Ca I", "Mg I",
    "Al I", "AlO", "Si I", "SiO", "Fe I", "Cr I", "Ni I", "Cu I", "Zn I", "Ti I", "W I", "F I", "Cl I", "CF2",
)  # fmt: skip
STRONG = 10.0  # a reference whose counts are fewer standard errors than this adds more noise than it removes
WEAKEST = 3.0  # below this a ratio has no finite interval (Fieller 1954) and is not formed


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What contaminants are divided by.

    Attributes
    ----------
    name : str
        A species or ``total light``.
    reason : str
        Why it was chosen.
    """

    name: str
    reason: str


def ratio(
    counts: Floats,
    counts_se: Floats,
    reference: Floats,
    reference_se: Floats,
    covariance: Floats | float = 0.0,
) -> tuple[Floats, Floats]:
    """Return counts over reference and its standard error.

    Parameters
    ----------
    counts, counts_se, reference, reference_se : ndarray, shapes that broadcast
        Values and standard errors of numerator and denominator.
    covariance : ndarray or float
        Between numerator and denominator, where known.

    Returns
    -------
    value, standard_error : ndarray
        NaN where the reference is not at least `WEAKEST` standard errors above zero.

    Notes
    -----
    Half width of the 68 % interval of E. C. Fieller, J. R. Stat. Soc. B 16, 175 (1954), with
    g = (se / reference)²; it tends to the delta method for a strong reference, and grows without bound as the
    reference sinks into its noise.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        value = counts / reference
        g = (reference_se / reference) ** 2
        inner = counts_se**2 - 2 * value * covariance + value**2 * reference_se**2
        inner -= g * (counts_se**2 - covariance**2 / reference_se**2 if np.any(covariance) else counts_se**2)
        error = np.sqrt(np.maximum(inner, 0.0)) / np.abs(reference) / (1 - g)
    good = (reference > WEAKEST * reference_se) & np.isfinite(value)
    return np.where(good, value, np.nan), np.where(good, error, np.nan)


def choose_reference(
    names: tuple[str, ...],
    counts: Floats,
    standard_error: Floats,
    wanted: str | None = None,
    present: tuple[str, ...] | None = None,
) -> Reference:
    """Choose the reference from the first frames.

    Parameters
    ----------
    names : tuple of str, length s
        Species.
    counts, standard_error : ndarray of shape (n, s)
        Of the first usable frames.
    wanted : str, optional
        The user's choice.
    present : tuple of str, optional
        Species that are in the light with features of their own; others are not divided by.

    Returns
    -------
    Reference

    Raises
    ------
    RunError
        If the wanted reference is none of the species.
    """
    if wanted is not None:
        if wanted != TOTAL and wanted not in names:
            raise RunError(
                f"The reference {wanted!r} is none of the fitted species.",
                mend=f"Choose one of: {', '.join((*names, TOTAL))}.",
            )
        return Reference(name=wanted, reason="as asked for")
    strength = _strengths(names, counts, standard_error, present)
    light = np.maximum(np.nan_to_num(np.nanmedian(counts, axis=0)), 0.0)
    passed: list[str] = []
    hydrogen = _hydrogen(names, light)
    for name in _by_merit({name: hydrogen if name == "H2" else float(light[names.index(name)]) for name in strength}):
        if name == "H2" and hydrogen < HYDROGEN * light.sum():
            continue
        if strength[name] >= STRONG:
            return Reference(name=name, reason=_reason(name, strength[name], passed))
        passed.append(f"{name} ({strength[name]:.0f} standard errors)")
    weak = f"; too weak: {', '.join(passed)}" if passed else ""
    return Reference(
        name=TOTAL,
        reason=f"no process gas is strong enough to divide by{weak}; total light includes what it should measure",
    )


def _strengths(
    names: tuple[str, ...], counts: Floats, standard_error: Floats, present: tuple[str, ...] | None
) -> dict[str, float]:
    """Return the typical counts, in standard errors, of each gas that may be divided by."""
    strength = {}
    for name in REFERENCES:
        if name in names and (present is None or name in present):
            column = names.index(name)
            with np.errstate(divide="ignore", invalid="ignore"):
                each = counts[:, column] / standard_error[:, column]
            each = each[np.isfinite(each)]
            strength[name] = float(np.median(each)) if len(each) else 0.0
    return strength


def _by_merit(light: dict[str, float]) -> list[str]:
    """Return the gases that may be divided by, best first.

    Argon is added as an actinometer and is first however faint. Any other gas is better the more of the light it gives:
    oxygen or nitrogen that is faint beside a noble gas is no feed but a leak, or water that comes off itself.
    """
    inert = sorted((name for name in INERT if name in light), key=lambda name: -light[name])
    order: list[str] = [name for name in ("O I", "N2") if name in light]
    if len(order) == 2 and light["O I"] < TRACE * light["N2"]:
        order.reverse()
    main = [name for name in inert if all(light[name] > light[one] for one in ("O I", "N2", "H2") if one in light)]
    order = ["Ar I", *main, *order, "H2", *(name for name in inert if name not in main)]
    return [name for name in order if name in light]


def _hydrogen(names: tuple[str, ...], light: Floats) -> float:
    """Return the light that hydrogen gives in all."""
    return sum(float(light[names.index(name)]) for name in ("H2", "H I") if name in names)


def _reason(name: str, strength: float, passed: list[str]) -> str:
    why = {
        "Ar I": "argon does not react, so its light follows the plasma alone (actinometer)",
        "O I": "no argon to divide by; oxygen is used up by the cleaning itself, so it is second best",
        "N2": "no argon to divide by, and oxygen gives less light or none; a nitrogen leak would hide in it",
        "He I": "helium does not react, but its lines need far hotter electrons than CO",
        "Ne I": "neon does not react, but its lines need hotter electrons than CO",
        "Kr I": "krypton does not react, so its light follows the plasma alone",
        "Xe I": "xenon does not react, so its light follows the plasma alone; it is lit by cooler electrons than CO",
        "H2": "no other process gas to divide by, and hydrogen gives most of the light; hydrogen from dirt or water "
        "hides in it, so H I is not followed",
    }[name]
    weak = f"; too weak: {', '.join(passed)}" if passed else ""
    return f"{why}; its counts are {strength:.0f} standard errors{weak}"


def series_ratio(series: SeriesFit, name: str, reference: str) -> tuple[Floats, Floats]:
    """Return one species over the reference for every frame of a series, with standard errors, shape (n,)."""
    i = series.species_names.index(name)
    if reference == TOTAL:
        below, below_se = series.total_counts, series.total_error
    else:
        r = series.species_names.index(reference)
        below, below_se = series.counts[:, r], series.standard_error[:, r]
    return ratio(series.counts[:, i], series.standard_error[:, i], below, below_se)
