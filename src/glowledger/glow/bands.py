"""Rotationally resolved bands: positions and photon rates of every line from one upper vibrational level."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cache, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.errors import TableError
from glowledger.glow.hamiltonian import RotationalLevels, rotational_levels
from glowledger.glow.line_strengths import Branch, dipole_matrix, strength_sum
from glowledger.tables.air import air_from_vacuum, vacuum_from_air
from glowledger.tables.molecules import BandSystem, MolecularState, state, system

K_CM = 0.6950348004  # Boltzmann constant in cm⁻¹/K: CODATA 2018, exact by definition
HIGHEST_TERM_CM = 15000.0  # rotational levels above are left out: at 3000 K, 0.3 % of the photons
HIGHEST_T_ROT_K = 4000.0  # above, the levels left out would matter (2 % of the photons at 5000 K)
LOWEST_CM = 2000.0  # lines beyond 5 µm are left out
WEAKEST_BRANCHING = 1e-4  # bands with a smaller share of the upper level's photons are left out
WEAKEST_LINE = 5e-4  # lines with a smaller share of their upper level's photons within the band
BRANCHES: tuple[Branch, ...] = ("P", "Q", "R")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BandLines:
    """Lines from one upper vibrational level; arrays of shape (k,), or (m,) with one value per upper level.

    Attributes
    ----------
    system : str
        Name of the band system.
    v_upper : int
        Upper vibrational level.
    wavelength_nm : ndarray of shape (k,)
        nm in air, ascending.
    strength : ndarray of shape (k,)
        Photon weight at infinite temperature: summed over all lines of one upper rotational level it gives
        (2J'+1) × nuclear-spin weight, lines left out made up for by the others. Where the Λ-doublets of
        both states coincide one line stands for both, with the weights of both.
    v_lower : ndarray of int, shape (k,)
        Lower vibrational level.
    level_index : ndarray of int, shape (k,)
        The upper rotational level, a position in `level_term_cm` and `level_j`.
    branch_index : ndarray of int, shape (k,)
        Position in `branch_names`.
    level_term_cm : ndarray of shape (m,)
        Rotational energy of each upper level above the lowest of this v', cm⁻¹.
    level_j : ndarray of shape (m,)
        J' of each upper level.
    branch_names : ndarray of str
        ``P1``, ``Q12``: ΔJ with the numbers of upper and lower spin component; singlets ``P``.
    branching_uncertainty : float
        Relative standard uncertainty of a band's share of the photons (not of lines within a band).
    origin_uncertainty_nm : float
        Standard uncertainty of band positions.
    """

    system: str
    v_upper: int
    wavelength_nm: NDArray[np.float64]
    strength: NDArray[np.float64]
    v_lower: NDArray[np.int16]
    level_index: NDArray[np.int32]
    branch_index: NDArray[np.int8]
    level_term_cm: NDArray[np.float64]
    level_j: NDArray[np.float64]
    branch_names: NDArray[np.str_]
    branching_uncertainty: float
    origin_uncertainty_nm: float

    @property
    def vacuum_nm(self) -> NDArray[np.float64]:
        """Wavelengths in vacuum, nm."""
        return vacuum_from_air(self.wavelength_nm)

    @property
    def upper_term_cm(self) -> NDArray[np.float64]:
        """Rotational energy of each line's upper level above the lowest of this v', cm⁻¹."""
        return self.level_term_cm[self.level_index]

    @property
    def j_upper(self) -> NDArray[np.float64]:
        """J' of each line."""
        return self.level_j[self.level_index]

    @property
    def branch(self) -> NDArray[np.str_]:
        """Branch of each line, ``P1``, ``Q12``."""
        return self.branch_names[self.branch_index]

    def of_band(self, v_lower: int) -> BandLines:
        """Return the lines of one band alone; the list of upper levels stays whole."""
        here = self.v_lower == v_lower
        names = ("wavelength_nm", "strength", "v_lower", "level_index", "branch_index")
        return replace(self, **{name: getattr(self, name)[here] for name in names})


def photon_rates(lines: BandLines, t_rot_k: ArrayLike) -> NDArray[np.float64]:
    """Return photons per line for one photon emitted by the whole upper vibrational level.

    Parameters
    ----------
    lines : BandLines
        From `upper_level_lines`, all bands of one v'.
    t_rot_k : float or array of shape (t,)
        Rotational temperature of the emitting state, K.

    Returns
    -------
    ndarray of shape (k,) or (t, k)
        Sums to 1 over the lines, whatever their wavelength.

    Raises
    ------
    TableError
        If a temperature is not between 1 K and `HIGHEST_T_ROT_K`.

    Notes
    -----
    Rotational levels are populated ∝ (2J'+1) g_ns exp(-E'/kT); every level of a v' is given the same total
    emission rate, shared among its lines ∝ A_band × S × ν³.
    """
    temperature = np.asarray(t_rot_k, dtype=np.float64)
    if temperature.size == 0 or not np.all((temperature >= 1.0) & (temperature <= HIGHEST_T_ROT_K)):
        raise TableError(
            f"a rotational temperature of {temperature} K is outside 1 to {HIGHEST_T_ROT_K:.0f} K.",
            mend="Rotational levels above that are not in the tables.",
        )
    factor = np.exp(-lines.level_term_cm / (K_CM * temperature[..., None]))
    rates = lines.strength * np.take(factor, lines.level_index, axis=-1)
    return np.asarray(rates / rates.sum(axis=-1, keepdims=True))


@lru_cache(maxsize=256)
def upper_level_lines(name: str, v_upper: int) -> BandLines:
    """Return the lines of all bands from one upper vibrational level.

    Parameters
    ----------
    name : str
        Band system, e.g. ``N2 C-B``.
    v_upper : int
        Upper vibrational level.

    Returns
    -------
    BandLines
        Sorted by wavelength; kept in memory, so a second call costs nothing.

    Raises
    ------
    TableError
        If the system is unknown, has heads only, or has no strengths for this level.
    """
    bands = system(name)
    v_lower, share = band_shares(bands, v_upper)
    upper, lower = bands.states()
    upper_pair = _levels(upper.name, v_upper)
    lower_pairs = [_levels(lower.name, int(v)) for v in v_lower]
    lower_terms = np.array([lower.vibrational_term(int(v)) for v in v_lower])
    coincide = _degenerate(upper) and _degenerate(lower)
    if coincide:  # e and f lines have the same wavelengths: one of each pair stands for both
        both = upper_pair[0].weight + upper_pair[1].weight
        upper_pair = (replace(upper_pair[0], weight=both), upper_pair[1])
    pieces = []
    for branch in BRANCHES:
        for index in (0,) if coincide else (0, 1):
            partner = 1 - index if branch == "Q" else index
            stack = [pair[partner] for pair in lower_pairs]
            pieces.append(_branch_lines(bands, branch, upper_pair[index], stack, index))
    return _assembled(bands, v_upper, v_lower, share, lower_terms, _joined(pieces))


def band_lines(name: str, v_upper: int, v_lower: int) -> BandLines:
    """Return the lines of one band, with strengths as in `upper_level_lines`; TableError if not there."""
    lines = upper_level_lines(name, v_upper)
    if v_lower not in lines.v_lower:
        raise TableError(
            f"{name} has no band ({v_upper},{v_lower}) in the tables.",
            mend=f"From v'={v_upper} there are v'' = {', '.join(map(str, np.unique(lines.v_lower)))}.",
        )
    return lines.of_band(v_lower)


def band_shares(bands: BandSystem, v_upper: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return v'' and each band's share of the photons from one v'.

    Parameters
    ----------
    bands : BandSystem
        The system.
    v_upper : int
        Upper vibrational level.

    Returns
    -------
    v_lower : ndarray of int, shape (b,)
    share : ndarray of shape (b,)
        From the Einstein A where published, else Franck-Condon factor × ν³; sums to 1. Bands below
        `WEAKEST_BRANCHING` are left out.
    """
    upper, lower = bands.states()
    here = bands.v_upper == v_upper
    if not here.any():
        raise TableError(
            f"{bands.name} has no strengths for v'={v_upper}.",
            mend=f"There are v' = {', '.join(map(str, bands.upper_levels()))}.",
        )
    v_lower = bands.v_lower[here]
    rate = np.nan_to_num(bands.einstein_a[here])  # no A beside those of other bands: no transition
    if not rate.any():
        nu = upper.vibrational_term(v_upper) - np.array([lower.vibrational_term(int(v)) for v in v_lower])
        rate = bands.franck_condon[here] * np.clip(nu, 0.0, None) ** 3
    share = rate / rate.sum()
    keep = share >= WEAKEST_BRANCHING
    return v_lower[keep], share[keep] / share[keep].sum()


@cache
def _levels(state_name: str, v: int) -> tuple[RotationalLevels, RotationalLevels]:
    """Return e and f levels up to `HIGHEST_TERM_CM`, or the dissociation limit if that is lower."""
    one = state(state_name)
    count = int(np.sqrt(HIGHEST_TERM_CM / (one.rotational_constant(v) * 0.8))) + 4
    return rotational_levels(one, v, count)


def _degenerate(one: MolecularState) -> bool:
    """Return whether e and f levels coincide: Λ > 0 and no Λ-doubling in the tables."""
    return one.lam > 0 and not any(one.constant(name) for name in ("p_ld", "q_ld", "q_plus"))


def _ceiling(one: MolecularState, v: int) -> float:
    """Return the rotational energy at which the levels of v end."""
    bound = one.constants.get("D0", np.inf) - (one.vibrational_term(v) - one.vibrational_term(0))
    return min(HIGHEST_TERM_CM, max(bound, 0.0), one.ceilings.get(v, np.inf))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Lines:
    """Lines of some branches, all v'' and all components: flat arrays."""

    level: NDArray[np.int64]  # a number for each upper rotational level
    band: NDArray[np.int64]  # position in the list of v''
    upper_cm: NDArray[np.float64]
    lower_cm: NDArray[np.float64]
    share: NDArray[np.float64]  # of the upper level's photons within the band
    degeneracy: NDArray[np.float64]  # of the upper level, nuclear spin included
    j: NDArray[np.float64]
    branch: NDArray[np.int8]  # position in the list of branch names


def _branch_lines(
    bands: BandSystem, branch: Branch, upper: RotationalLevels, lower: list[RotationalLevels], ef: int
) -> _Lines:
    """Return the lines of one branch from the e (`ef` 0) or the f levels."""
    upper_state, lower_state = bands.states()
    step = {"P": 1, "Q": 0, "R": -1}[branch]
    size = min(low.j.size for low in lower)
    rows = np.arange(max(0, -step), min(upper.j.size, size - step))
    below = rows + step
    size = -(-upper.j.size // 64) * 64
    dipole = _dipole(upper_state.name, lower_state.name, branch, size)[rows]
    half = np.swapaxes(upper.vectors[rows], 1, 2) @ dipole
    vectors = np.stack([low.vectors[below] for low in lower])
    lower_cm = np.stack([low.term_cm[below] for low in lower])
    degeneracy = 2 * upper.j[rows] + 1
    total = degeneracy * strength_sum(upper_state, lower_state)
    share = (half[None] @ vectors) ** 2 / total[:, None, None]  # (v'', J', component, component)
    upper_cm = upper.term_cm[rows]
    real = np.isfinite(upper_cm)[None, :, :, None] & np.isfinite(lower_cm)[:, :, None, :]
    lit = (upper.weight[rows] > 0)[None, :, None, None]
    band, row, a, b = np.nonzero(real & lit & (share > WEAKEST_LINE))
    number_up, number_low = upper.number[rows][row, a], lower[0].number[below][row, b]
    return _Lines(
        level=((rows[row] * (upper_state.multiplicity + 1) + a) * 2 + ef).astype(np.int64),
        band=band,
        upper_cm=upper_cm[row, a],
        lower_cm=lower_cm[band, row, b],
        share=share[band, row, a, b],
        degeneracy=(degeneracy * upper.weight[rows])[row],
        j=upper.j[rows][row],
        branch=_branch_code(branch, upper_state.multiplicity, number_up, number_low),
    )


@cache
def _dipole(upper_name: str, lower_name: str, branch: Branch, size: int) -> NDArray[np.float64]:
    """Return `dipole_matrix` for the lowest `size` J': the same for all vibrational levels."""
    upper, lower = state(upper_name), state(lower_name)
    return dipole_matrix(
        upper, lower, np.arange(size, dtype=np.float64) + 0.5 * ((upper.multiplicity - 1) % 2), branch
    )


def _branch_code(
    branch: Branch, multiplicity: int, upper: NDArray[np.int64], lower: NDArray[np.int64]
) -> NDArray[np.int8]:
    """Return the position of ΔJ and component numbers (from 1) in `_branch_names`."""
    code = (BRANCHES.index(branch) * multiplicity + upper - 1) * multiplicity + lower - 1
    return np.asarray(code, dtype=np.int8)


@cache
def _branch_names(multiplicity: int) -> NDArray[np.str_]:
    """Return branch names by code: P1, P12, ..., or P, Q, R for singlets."""
    if multiplicity == 1:
        return np.array(BRANCHES)
    numbers = range(1, multiplicity + 1)
    pairs = [(b, up, low) for b in BRANCHES for up in numbers for low in numbers]
    return np.array([f"{b}{up}" if up == low else f"{b}{up}{low}" for b, up, low in pairs])


def _joined(pieces: list[_Lines]) -> _Lines:
    """Return the lines of all pieces in one."""
    names = [field.name for field in fields(_Lines)]
    columns = {name: np.concatenate([getattr(piece, name) for piece in pieces]) for name in names}
    return _Lines(**columns)


def _assembled(
    bands: BandSystem,
    v_upper: int,
    v_lower: NDArray[np.int64],
    band_share: NDArray[np.float64],
    lower_terms: NDArray[np.float64],
    lines: _Lines,
) -> BandLines:
    """Turn terms into wavelengths, give each upper level its degeneracy, sort by wavelength."""
    upper, _ = bands.states()
    origin = upper.vibrational_term(v_upper) - lower_terms[lines.band]
    wavenumber = origin + lines.upper_cm - lines.lower_cm
    lowest = float(lines.upper_cm.min())
    keep = np.flatnonzero((lines.upper_cm - lowest <= _ceiling(upper, v_upper)) & (wavenumber > LOWEST_CM))
    keep = keep[np.argsort(-wavenumber[keep])]
    band = lines.band[keep]
    _, first, level = np.unique(lines.level[keep], return_index=True, return_inverse=True)
    raw = band_share[band] * lines.share[keep] * (wavenumber[keep] / origin[keep]) ** 3
    return BandLines(
        system=bands.name,
        v_upper=v_upper,
        wavelength_nm=air_from_vacuum(1e7 / wavenumber[keep]),
        strength=raw / np.bincount(level, raw)[level] * lines.degeneracy[keep],
        v_lower=v_lower[band].astype(np.int16),
        level_index=level.astype(np.int32),
        branch_index=lines.branch[keep],
        level_term_cm=(lines.upper_cm[keep] - lowest)[first],
        level_j=lines.j[keep][first],
        branch_names=_branch_names(upper.multiplicity),
        branching_uncertainty=bands.branching_uncertainty,
        origin_uncertainty_nm=bands.origin_uncertainty_nm,
    )
