"""A calibration in words and as a document."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from glowledger.bench.model import WavelengthSolution
from glowledger.bench.outcome import Calibration, curve_error_nm
from glowledger.rounding import plus_minus
from glowledger.tables.lamps import lamp_lines, lamp_parts

NAMES = {
    "cfl": "Compact fluorescent lamp", "hg": "Mercury lamp", "hg-ar": "Mercury-argon lamp", "ne": "Neon lamp",
    "ar": "Argon lamp", "he": "Helium lamp", "kr": "Krypton lamp", "xe": "Xenon lamp", "h2": "Hydrogen lamp",
    "cd": "Cadmium lamp", "na": "Sodium lamp", "zn": "Zinc lamp",
}  # fmt: skip


def lamp_name(parts: Sequence[str]) -> str:
    """Return a lamp in words, from its parts as of `lamp_parts`."""
    if len(parts) == 1:
        return NAMES[parts[0]]
    words = [NAMES[part].removesuffix(" lamp").lower() for part in parts]
    return f"Lamp with {', '.join(words[:-1])} and {words[-1]}"


def parts_seen(calibration: Calibration) -> tuple[str, ...]:
    """Return the parts of the lamp that have a line or band among the identified peaks; all where none has."""
    parts, shown = lamp_parts(calibration.lamp), {line.species for line in calibration.lines}
    return tuple(part for part in parts if shown & set(lamp_lines(part).species.tolist())) or parts


def unseen_note(calibration: Calibration) -> str:
    """Return which elements that were named show no line, in words; empty if all do."""
    unseen = [part for part in lamp_parts(calibration.lamp) if part not in parts_seen(calibration)]
    if not unseen:
        return ""
    words = " and ".join(NAMES[part].removesuffix(" lamp").lower() for part in unseen)
    return (
        f"No line of {words} is among the peaks: not lit, outside the range, or not in this lamp. "
        "The solution rests on the other lines."
    )


def accuracy_nm(calibration: Calibration) -> float:
    """Return how far the solution may be off between the outermost used lines (95 %), nm."""
    solution = calibration.solution
    if solution is None:
        return float("nan")
    places = np.linspace(*solution.covered, 201)
    curve = curve_error_nm(solution, places)
    return max(
        2.0 * float(np.max(curve)), calibration.loo_rms_nm if np.isfinite(calibration.loo_rms_nm) else 0.0
    )


def axis_ends_nm(solution: WavelengthSolution) -> tuple[float, float]:
    """Return the lowest and highest wavelength of the axis, nm."""
    low, high = np.sort(solution.nm(np.array(solution.domain)))
    return float(low), float(high)


def sentence(calibration: Calibration) -> str:
    """Return the verdict in one sentence: how good, from where to where, what is extrapolated."""
    if not calibration.accepted or calibration.solution is None or calibration.range_nm is None:
        return f"No solution: {'; '.join(calibration.reasons) or 'nothing was found'}."
    low, high = calibration.range_nm
    first, last = axis_ends_nm(calibration.solution)
    beyond = []
    if first < low - 2.0 * calibration.fwhm_nm:
        beyond.append(f"below {low:.0f} nm")
    if last > high + 2.0 * calibration.fwhm_nm:
        beyond.append(f"beyond {high:.0f} nm")
    tail = f"; {' and '.join(beyond)} it is extrapolated" if beyond else ""
    return f"Good to {accuracy_nm(calibration):.2g} nm from {low:.0f} to {high:.0f} nm{tail}."


def width_sentence(calibration: Calibration) -> str:
    """Return the line width at either end of the range, with its standard errors, in one sentence."""
    spread = calibration.line_spread
    if spread is None:
        return f"Line width {calibration.fwhm_nm:.2g} nm (FWHM)."
    ends = dict.fromkeys((0, len(spread.at_nm) - 1))
    told = [
        f"{plus_minus(float(spread.fwhm_nm[k]), float(spread.fwhm_se_nm[k]), 'nm')} at {spread.at_nm[k]:.0f} nm"
        for k in ends
    ]
    return f"Line width (FWHM) {' and '.join(told)}."


def document(calibration: Calibration) -> dict[str, object]:
    """Return the answer of ``calibrate`` as one document, schema ``glowledger/calibrate/1``."""
    warnings = [*calibration.warnings]
    if not calibration.accepted:
        warnings = [*calibration.reasons, *([calibration.mend] if calibration.mend else []), *warnings]
    return {
        "schema": "glowledger/calibrate/1",
        "lamp": calibration.lamp,
        "accepted": calibration.accepted,
        "matched": calibration.matched,
        "degree": calibration.degree,
        "rms_nm": calibration.rms_nm,
        "loo_rms_nm": calibration.loo_rms_nm,
        "fwhm_nm": calibration.fwhm_nm,
        "range_nm": list(calibration.range_nm) if calibration.range_nm else None,
        "accuracy_nm": accuracy_nm(calibration),
        "verdict": sentence(calibration),
        "peaks_found": calibration.peaks_found,
        "log_evidence": calibration.log_evidence,
        "log_margin": calibration.log_margin,
        "line_spread": None if calibration.line_spread is None else {
            "at_nm": calibration.line_spread.at_nm.tolist(),
            "fwhm_nm": calibration.line_spread.fwhm_nm.tolist(),
            "fwhm_se_nm": calibration.line_spread.fwhm_se_nm.tolist(),
            "lorentz_fraction": calibration.line_spread.lorentz_fraction,
            "asymmetry": calibration.line_spread.asymmetry,
        },
        "lines": [
            {
                "species": line.species,
                "wavelength_nm": line.wavelength_nm,
                "pixel": line.pixel,
                "residual_nm": line.residual_nm,
                "standard_error_nm": line.error_nm,
                "used": line.used,
            }
            for line in calibration.lines
        ],
        "warnings": warnings,
    }


def residual_table(calibration: Calibration) -> str:
    """Return the line table as CSV text."""
    rows = ["species,wavelength_nm,pixel,residual_nm,standard_error_nm,used"]
    for line in calibration.lines:
        used = "yes" if line.used else "no"
        rows.append(
            f"{line.species},{line.wavelength_nm:.4f},{line.pixel:.3f},{line.residual_nm:.4f},{line.error_nm:.4f},{used}"
        )
    return "\n".join(rows) + "\n"
