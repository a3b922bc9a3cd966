"""Listing of published band heads."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

import numpy as np

from glowledger.errors import TableError
from glowledger.tables.listing import Column, Listing
from glowledger.tables.molecules import band_heads


def band_listing(names: Sequence[str], range_nm: tuple[float, float]) -> Listing:
    """Return the band heads of some molecules or systems (all if none are named) within a range, nm in air.

    Parameters
    ----------
    names : sequence of str
        Molecules ('CO') or systems ('CO B-A'); case is forgiven.
    range_nm : (float, float)
        Lowest and highest wavelength.

    Raises
    ------
    TableError
        If there is no such molecule or system; the mend names the nearest.
    """
    heads = band_heads()
    systems = np.array(heads.system)
    keep = np.zeros(len(systems), dtype=bool) if names else np.ones(len(systems), dtype=bool)
    for name in names:
        wanted = " ".join(name.casefold().split())
        matches = np.array([wanted in (s.casefold(), s.casefold().split()[0]) for s in heads.system])
        if not matches.any():
            known = sorted({*heads.system, *(s.split()[0] for s in heads.system)})
            near = difflib.get_close_matches(name, known, n=3, cutoff=0.3)
            mend = f"There are {', '.join(known)}."
            if near:
                mend = f"Did you mean {' or '.join(map(repr, near))}?"
            raise TableError(f"no bands of a molecule or system '{name}' in the table.", mend=mend)
        keep |= matches
    keep &= (heads.wavelength_nm >= range_nm[0]) & (heads.wavelength_nm <= range_nm[1])
    rows = np.flatnonzero(keep)
    note = "Heads in nm, standard air. A band that fades to the violet has its sharp edge on the red side."
    if not len(rows):
        whole = ", ".join(names) or "any molecule"
        note = f"No band heads of {whole} from {range_nm[0]:g} to {range_nm[1]:g} nm."
    return Listing(
        kind="bands",
        columns=(
            Column(name="system", values=systems[rows], heading="system"),
            Column(name="v_upper", values=heads.v_upper[rows], heading="v'"),
            Column(name="v_lower", values=heads.v_lower[rows], heading="v''"),
            Column(name="wavelength_nm", values=heads.wavelength_nm[rows], heading="nm", form=".2f"),
            Column(name="fades_to", values=np.array(heads.degradation)[rows], heading="fades to"),
            Column(name="source", values=np.array(heads.source)[rows], heading="source"),
        ),
        note=note,
    )
