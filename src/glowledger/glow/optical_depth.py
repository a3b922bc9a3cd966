"""Lines that the glow may absorb itself: those that end on the ground level or on a metastable one."""

from __future__ import annotations

import numpy as np

from glowledger.glow.results import SpeciesEvidence
from glowledger.tables import atoms

# Metastable levels of the noble gases, cm⁻¹ above the ground level (NIST Atomic Spectra Database, from memory):
# in Paschen notation 1s5 and 1s3 (Ne, Ar, Kr, Xe), 2s 3S1 and 2s 1S0 (He).
METASTABLE_CM = {
    "He I": (159855.97, 166277.44),
    "Ne I": (134041.84, 134818.64),
    "Ar I": (93143.76, 94553.67),
    "Kr I": (79971.74, 85191.62),
    "Xe I": (67067.55, 76196.77),
}
SAME_LEVEL_CM = 1.0
LABEL_NM = 0.02  # labels give wavelengths to 0.01 nm


def self_absorbed(species: SpeciesEvidence) -> tuple[str, ...]:
    """Return the labels of a species' features that may be weakened by self-absorption.

    Parameters
    ----------
    species : SpeciesEvidence
        An atom or ion that is present.

    Returns
    -------
    tuple of str
        Lines to the ground level (resonance lines) or to a metastable level; empty for molecules.
    """
    if species.name not in atoms.species_names():
        return ()
    lines = atoms.load().select(species.name)
    ends = np.isin(lines.e_lower_cm, [0.0])
    for level in METASTABLE_CM.get(species.name, ()):
        ends |= np.abs(lines.e_lower_cm - level) < SAME_LEVEL_CM
    found = []
    for feature in species.features:
        place = feature.label.rsplit(" ", 1)[-1]
        try:
            nm = float(place)
        except ValueError:
            continue
        if np.any(ends & (np.abs(lines.wavelength_nm - nm) < LABEL_NM)):
            found.append(feature.label)
    return tuple(found)


def absorption_warning(evidence: tuple[SpeciesEvidence, ...]) -> str:
    """Return one sentence that names the lines whose strength is not to be trusted, or ''."""
    lines = [label for e in evidence if e.verdict == "present" for label in self_absorbed(e)]
    if not lines:
        return ""
    shown = ", ".join(lines[:6]) + (" and more" if len(lines) > 6 else "")
    return (
        f"{shown} end on the ground level or a metastable one: in a dense glow they are weakened by absorption, "
        "so their strength is a lower bound"
    )
