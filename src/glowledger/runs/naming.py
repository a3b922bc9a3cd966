"""Name a change of conditions from the levels before and after it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from glowledger.runs.ratios import REFERENCES

Floats = NDArray[np.float64]

PROCESS = (*REFERENCES, "H2", "Ne I", "Kr I", "Xe I", "O2+", "N2+", "CO2+", "Ar II", "He II")
IONS = ("N2+", "O2+", "Ar II", "CO2+", "CO+", "He II", "Kr II", "Ne II")


def name_change(
    names: tuple[str, ...], before: Floats, after: Floats, noise: Floats, shift_nm: float, width_nm: float
) -> tuple[str, bool]:
    """Name what began new conditions.

    Parameters
    ----------
    names : tuple of str, length s
        Species.
    before, after, noise : ndarray of shape (s + 2,)
        Levels per channel (species, total light, continuum) and the scatter of one frame.
    shift_nm : float
        Jump of the wavelength axis.
    width_nm : float
        Scatter of the axis from frame to frame.

    Returns
    -------
    why : str
        In plain words.
    cut : bool
        True if the ratios before and after cannot be compared.
    """
    s = len(names)
    total_before, total_after = float(before[s]), float(after[s])
    if total_before <= 0 or not np.isfinite(total_before):
        return "plasma lit", True
    scale = total_after / total_before
    continuum_step = float(after[s + 1] - before[s + 1]) / total_before
    main = [i for i, n in enumerate(names) if n in PROCESS and max(before[i], after[i]) > 0.03 * total_before]
    with np.errstate(divide="ignore", invalid="ignore"):
        factors = np.array([after[i] / before[i] if before[i] > 0 else np.inf for i in main])
    if abs(shift_nm) > max(8 * width_nm, 0.2):
        return f"spectrometer moved (axis jumped by {shift_nm:+.2f} nm)", True
    lamp = _lamp(names, before, after, noise)
    steady = len(factors) > 0 and bool(np.all(np.abs(factors - 1) < 0.08))
    if steady and (lamp or continuum_step > 0.05):
        return (
            "lamp or room light on" if lamp else "steady light added (lamp, room light or hot surface)",
            False,
        )
    if steady and continuum_step < -0.05:
        return "steady light removed", False
    gone = [names[i] for i, f in zip(main, factors, strict=True) if f < 0.25 * min(scale, 1.0)]
    come = [names[i] for i, f in zip(main, factors, strict=True) if f > 4.0 * max(scale, 1.0)]
    if gone or come:
        words = [f"{', '.join(come)} came" if come else "", f"{', '.join(gone)} went" if gone else ""]
        return f"gas changed: {' and '.join(w for w in words if w)}", True
    if len(factors) and not steady:
        spread = factors.max() / max(factors.min(), 1e-9)
        if spread > 1.4:
            ion = [names[i] for i in main if names[i] in IONS]
            what = "pressure, polarity, magnet or power" if ion else "pressure or power"
            return f"line pattern changed ({what}); all light stepped by a factor {scale:.2g}", True
        return f"all light stepped by a factor {scale:.2g} (power, pressure, or what the fibre sees)", True
    return "only some contaminants stepped", False


def _lamp(names: tuple[str, ...], before: Floats, after: Floats, noise: Floats) -> bool:
    """True if mercury light appeared."""
    if "Hg I" not in names:
        return False
    i = names.index("Hg I")
    return bool(after[i] - before[i] > 8 * max(noise[i], 1e-12) and after[i] > 2 * max(before[i], 0.0))
