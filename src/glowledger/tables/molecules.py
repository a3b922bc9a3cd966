"""Molecular constants, band strengths and published band heads, as bundled in line_tables."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.errors import TableError
from glowledger.tables.added import added_tables
from glowledger.tables.folder import read_table, refuse_shared, tables_folder

FORMAT = "glowledger/molecules/1"
_MEND = "Install glowledger again, or run it from a complete checkout with its line_tables folder."


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MolecularState:
    """One electronic state and its constants, all in cm⁻¹ unless said.

    Attributes
    ----------
    name, molecule, label : str
        ``N2 C``, ``14N2``, ``C3Pi_u``.
    multiplicity, lam : int
        2S + 1 and Λ.
    reflection : int
        0, or 1 for a Σ⁻ state.
    inversion : int
        +1 for g, -1 for u, 0 for unlike nuclei.
    nuclear_weights : tuple of float
        Of levels symmetric and antisymmetric under exchange of the nuclei; equal for unlike nuclei.
    lambda_share : float
        The rotational term is B(R² + lambda_share·Λ²): 0 for Hill & Van Vleck, 1/3 for Budó, 1 for BN².
    reduced_mass_u : float
        Atomic mass units.
    constants : mapping of str to float
        Te, we, wexe, weye, weze, w5e, Be, alpha_e, gamma_e, De, beta_e, A_so, lambda_ss, gamma_sr, p_ld,
        q_ld, q_plus, re (Å), D0; absent means zero or unknown.
    level_shifts : mapping of int to float
        Fitted shifts of vibrational levels, cm⁻¹, beyond the constants (see the sources).
    ceilings : mapping of int to float
        Rotational energy of v, cm⁻¹, above which predissociation leaves no light, where known.
    sources : mapping of str to str
        Source text for each constant and each ``shift v=...``.
    lifetime_ns : float
        Of v = 0; NaN if unknown.
    """

    name: str
    molecule: str
    label: str
    multiplicity: int
    lam: int
    reflection: int
    inversion: int
    nuclear_weights: tuple[float, float]
    lambda_share: float
    reduced_mass_u: float
    constants: Mapping[str, float]
    level_shifts: Mapping[int, float]
    ceilings: Mapping[int, float]
    sources: Mapping[str, str]
    lifetime_ns: float

    def constant(self, name: str) -> float:
        """Return a constant, zero where the table has none."""
        return self.constants.get(name, 0.0)

    def vibrational_energy(self, v: ArrayLike) -> NDArray[np.float64]:
        """Return G(v) of the constants alone, cm⁻¹ above the minimum; v need not be whole."""
        x = np.asarray(v, dtype=np.float64) + 0.5
        names = ("we", "wexe", "weye", "weze", "w5e")
        we, wexe, weye, weze, w5e = (self.constant(name) for name in names)
        return np.asarray(x * (we - x * (wexe - x * (weye + x * (weze + x * w5e)))))

    def vibrational_term(self, v: int) -> float:
        """Return Te + G(v) with its fitted shift, cm⁻¹."""
        return self.constant("Te") + float(self.vibrational_energy(v)) + self.level_shifts.get(v, 0.0)

    def rotational_constant(self, v: ArrayLike) -> NDArray[np.float64]:
        """Return B_v = Be - alpha_e (v+1/2) + gamma_e (v+1/2)², cm⁻¹; v need not be whole."""
        x = np.asarray(v, dtype=np.float64) + 0.5
        return np.asarray(self.constant("Be") - x * (self.constant("alpha_e") - x * self.constant("gamma_e")))

    def distortion_constant(self, v: int) -> float:
        """Return D_v = De + beta_e (v+1/2), cm⁻¹."""
        return self.constant("De") + self.constant("beta_e") * (v + 0.5)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BandSystem:
    """One electronic transition of a molecule.

    Attributes
    ----------
    name, molecule, trade_name : str
        ``N2 C-B``, ``N2``, ``second positive``.
    upper, lower : MolecularState or None
        None where the tables hold heads alone.
    heads_only : bool
        True if no band can be computed.
    v_upper, v_lower : ndarray of int, shape (b,)
        The bands with a strength.
    franck_condon, einstein_a : ndarray of shape (b,)
        Factors (dimensionless) and A in s⁻¹; NaN where the table has none.
    branching_uncertainty : float
        Relative standard uncertainty of a band's share of its upper level's photons.
    origin_uncertainty_nm : float
        Standard uncertainty of band positions.
    sources : tuple of str
        Where strengths and constants come from, and what is fitted.
    note : str
        What the computed bands leave out.
    """

    name: str
    molecule: str
    trade_name: str
    upper: MolecularState | None
    lower: MolecularState | None
    heads_only: bool
    v_upper: NDArray[np.int64]
    v_lower: NDArray[np.int64]
    franck_condon: NDArray[np.float64]
    einstein_a: NDArray[np.float64]
    branching_uncertainty: float
    origin_uncertainty_nm: float
    sources: tuple[str, ...]
    note: str

    def states(self) -> tuple[MolecularState, MolecularState]:
        """Return upper and lower state; TableError if the tables hold heads alone."""
        if self.upper is None or self.lower is None:
            raise TableError(
                f"for {self.name} the tables hold band heads only, no constants.",
                mend="Use tables.molecules.band_heads() for it.",
            )
        return self.upper, self.lower

    def upper_levels(self) -> tuple[int, ...]:
        """Return the upper vibrational levels that have strengths, ascending."""
        return tuple(int(v) for v in np.unique(self.v_upper))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BandHeads:
    """Published band heads; arrays of shape (h,).

    Attributes
    ----------
    system : tuple of str
        Name of the band system.
    v_upper, v_lower : ndarray of int
        -1 where unknown.
    wavelength_nm : ndarray
        nm in air.
    degradation : tuple of str
        ``violet``, ``red`` or ``unknown``: the side to which the band fades; ``line`` or ``strong line`` for single
        lines of a spectrum without heads.
    fitted : ndarray of bool
        True where a constant of the tables was fitted to this head, which then checks nothing.
    source : tuple of str
        Where the head comes from.
    """

    system: tuple[str, ...]
    v_upper: NDArray[np.int64]
    v_lower: NDArray[np.int64]
    wavelength_nm: NDArray[np.float64]
    degradation: tuple[str, ...]
    fitted: NDArray[np.bool_]
    source: tuple[str, ...]


def systems() -> tuple[str, ...]:
    """Return the names of all band systems, those with heads only included."""
    return tuple(_document()["systems"])


@cache
def system(name: str) -> BandSystem:
    """Return one band system.

    Parameters
    ----------
    name : str
        As listed by `systems`, e.g. ``N2 C-B``.

    Returns
    -------
    BandSystem

    Raises
    ------
    TableError
        If there is no such system (the nearest names are given) or the tables are damaged.
    """
    document = _document()
    entry = document["systems"].get(name)
    if entry is None:
        near = get_close_matches(name, systems(), n=3, cutoff=0.3)
        raise TableError(
            f"no band system '{name}' in the tables.",
            mend=f"Nearest: {', '.join(near)}." if near else f"There are: {', '.join(systems())}.",
        )
    rows = _strengths().get(name, [])
    columns = np.array(rows, dtype=np.float64).reshape(-1, 4)
    upper, lower = (state(entry[side]) if entry[side] else None for side in ("upper", "lower"))
    return BandSystem(
        name=name,
        molecule=entry["molecule"],
        trade_name=entry["trade_name"],
        upper=upper,
        lower=lower,
        heads_only=upper is None,
        v_upper=columns[:, 0].astype(np.int64),
        v_lower=columns[:, 1].astype(np.int64),
        franck_condon=columns[:, 2],
        einstein_a=columns[:, 3],
        branching_uncertainty=float(entry["branching_uncertainty"]),
        origin_uncertainty_nm=float(entry["origin_uncertainty_nm"]),
        sources=tuple(document["sources"][key]["text"] for key in entry["sources"]),
        note=entry["note"],
    )


@cache
def state(name: str) -> MolecularState:
    """Return one electronic state, e.g. ``N2 C``; TableError if there is none."""
    document = _document()
    entry = document["states"].get(name)
    if entry is None:
        near = get_close_matches(name, document["states"], n=3, cutoff=0.3)
        raise TableError(f"no state '{name}' in the tables.", mend=f"Nearest: {', '.join(near)}.")
    texts = {key: source["text"] for key, source in document["sources"].items()}
    return state_from_entry(name, entry, texts)


def state_from_entry(name: str, entry: Mapping[str, Any], texts: Mapping[str, str]) -> MolecularState:
    """Return the state that one entry of the constants file describes.

    Parameters
    ----------
    name : str
        Name of the state.
    entry : mapping
        As under ``states`` of molecules.json.
    texts : mapping of str to str
        Source key to source text.

    Returns
    -------
    MolecularState
    """
    shifts = entry["level_shifts"]
    sources = {key: texts[source] for key, (_, source) in entry["constants"].items()}
    sources |= {f"shift v={v}": texts[source] for v, (_, source) in shifts.items()}
    return MolecularState(
        name=name,
        molecule=entry["molecule"],
        label=entry["label"],
        multiplicity=entry["multiplicity"],
        lam=entry["lambda"],
        reflection=entry["reflection"],
        inversion=entry["inversion"],
        nuclear_weights=(entry["nuclear_weights"][0], entry["nuclear_weights"][1]),
        lambda_share=entry["lambda_share"],
        reduced_mass_u=entry["reduced_mass_u"],
        constants=MappingProxyType({key: value for key, (value, _) in entry["constants"].items()}),
        level_shifts=MappingProxyType({int(v): value for v, (value, _) in shifts.items()}),
        ceilings=MappingProxyType({int(v): value for v, (value, _) in entry["ceilings"].items()}),
        sources=MappingProxyType(sources),
        lifetime_ns=float("nan") if entry["lifetime_ns"] is None else entry["lifetime_ns"][0],
    )


@cache
def band_heads() -> BandHeads:
    """Return all published band heads of the tables."""
    preamble, columns = read_table("band_heads.csv")
    return BandHeads(
        system=columns["system"],
        v_upper=np.array([int(v or -1) for v in columns["v_upper"]]),
        v_lower=np.array([int(v or -1) for v in columns["v_lower"]]),
        wavelength_nm=np.array(columns["wavelength_nm"], dtype=np.float64),
        degradation=columns["degradation"],
        fitted=np.array([cell == "yes" for cell in columns["fitted"]]),
        source=tuple(preamble.get(f"source {key}", key) for key in columns["source"]),
    )


@cache
def _strengths() -> dict[str, list[tuple[float, float, float, float]]]:
    _, columns = read_table("band_strengths.csv")
    rows: dict[str, list[tuple[float, float, float, float]]] = {}
    cells = (columns[name] for name in ("system", "v_upper", "v_lower", "franck_condon", "einstein_a_per_s"))
    for name, v_upper, v_lower, factor, einstein in zip(*cells, strict=True):
        row = (float(v_upper), float(v_lower), float(factor or "nan"), float(einstein or "nan"))
        rows.setdefault(name, []).append(row)
    return rows


@cache
def _document() -> dict[str, Any]:
    """Return the constants file, with what installed packages add to it."""
    document = _read_document(tables_folder() / "molecules.json", _MEND)
    for added in added_tables():
        file = added.folder / "molecules.json"
        if not file.is_file():
            continue
        theirs = _read_document(file, added.mend())
        for part in ("sources", "states", "systems"):
            refuse_shared(document[part], theirs.get(part, {}), added, file)
            document[part] = {**document[part], **theirs.get(part, {})}
    return document


def _read_document(file: Path, mend: str) -> dict[str, Any]:
    try:
        document = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise TableError(
            f"the molecular constants cannot be read ({error}).", mend=mend, file=file
        ) from error
    if document.get("format") != FORMAT:
        raise TableError(f"format '{document.get('format')}', expected '{FORMAT}'.", mend=mend, file=file)
    return dict(document)
