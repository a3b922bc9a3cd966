"""Rotational line lists of diatomic bands from textbook closed forms; shares no code with the product.

Energies: Budó's formula for triplet Π-Π, Hill and Van Vleck's for doublet Π and Δ, B N(N+1) for Σ, and
the small matrix of spin-orbit and spin-uncoupling terms for Π against Σ of higher multiplicity (all in
Herzberg, Spectra of Diatomic Molecules, 2nd ed. 1950, chapter V). Strengths: the Hönl-London tables of
Herzberg 1950 p. 208 where the spin follows the axis or can be left out, and otherwise the overlap of
case (a) with case (b) functions through Racah's 3j symbol (Edmonds, Angular Momentum in Quantum Mechanics,
1957, eq. 3.6.11).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import lgamma

import numpy as np

J_TOP = 70
E_TOP = 9000.0  # cm-1; beyond it the short expansions bend over and nothing is populated


@dataclass(frozen=True)
class State:
    """One electronic state; energies in cm-1, weights for even and odd N."""

    name: str
    multiplicity: int
    big_lambda: int
    term: float
    vibration: tuple[float, float, float, float]
    rotation: tuple[float, float, float]
    stretch: float
    spin_orbit: float
    spin_rotation: float
    weights: tuple[float, float]

    def vib(self, v: int) -> float:
        """Term value of the vibrational level above the common zero."""
        x = v + 0.5
        w, wx, wy, wz = self.vibration
        return self.term + w * x - wx * x**2 + wy * x**3 + wz * x**4

    def b(self, v: int) -> float:
        """Rotational constant of level v."""
        be, alpha, gamma = self.rotation
        return be - alpha * (v + 0.5) + gamma * (v + 0.5) ** 2


@dataclass(frozen=True)
class BandLines:
    """Lines of one band: positions relative to the band origin, rotational energy above, weight without T."""

    offset_cm: np.ndarray
    upper_cm: np.ndarray
    strength: np.ndarray


@cache
def racah(j1: float, j2: float, j3: float, m1: float, m2: float, m3: float) -> float:
    """Wigner's 3j symbol by Racah's sum."""
    if abs(m1 + m2 + m3) > 1e-9 or j3 > j1 + j2 or j3 < abs(j1 - j2):
        return 0.0
    if abs(m1) > j1 or abs(m2) > j2 or abs(m3) > j3:
        return 0.0

    def lf(x: float) -> float:
        return lgamma(round(x) + 1)

    head = 0.5 * (
        lf(j1 + j2 - j3)
        + lf(j1 - j2 + j3)
        + lf(-j1 + j2 + j3)
        - lf(j1 + j2 + j3 + 1)
        + lf(j1 + m1)
        + lf(j1 - m1)
        + lf(j2 + m2)
        + lf(j2 - m2)
        + lf(j3 + m3)
        + lf(j3 - m3)
    )
    low = round(max(0, j2 - j3 - m1, j1 - j3 + m2))
    high = round(min(j1 + j2 - j3, j1 - m1, j2 + m2))
    total = 0.0
    for k in range(low, high + 1):
        tail = sum(
            lf(x) for x in (j1 + j2 - j3 - k, j1 - m1 - k, j2 + m2 - k, j3 - j2 + m1 + k, j3 - j1 - m2 + k)
        )
        total += (-1) ** k * np.exp(head - tail - lf(k))
    return float((-1) ** round(j1 - j2 - m3) * total)


def honl_london(step: int, j_low: np.ndarray, lam_up: int, lam_low: int) -> np.ndarray:
    """Strength of P (step -1), Q (0) or R (+1) by lower J, Herzberg 1950 p. 208; sums to 2J'+1."""
    j = np.asarray(j_low, float)
    k = lam_low
    safe = np.where(j > 0, j, 1.0)
    if lam_up == lam_low:
        table = {
            1: (j + 1 + k) * (j + 1 - k) / (j + 1),
            0: (2 * j + 1) * k**2 / (safe * (j + 1)),
            -1: (j + k) * (j - k) / safe,
        }
    elif lam_up == lam_low + 1:
        table = {
            1: (j + 2 + k) * (j + 1 + k) / (2 * (j + 1)),
            0: (j + 1 + k) * (j - k) * (2 * j + 1) / (2 * safe * (j + 1)),
            -1: (j - 1 - k) * (j - k) / (2 * safe),
        }
    else:
        table = {
            1: (j + 2 - k) * (j + 1 - k) / (2 * (j + 1)),
            0: (j + 1 - k) * (j + k) * (2 * j + 1) / (2 * safe * (j + 1)),
            -1: (j - 1 + k) * (j + k) / (2 * safe),
        }
    legal = (j >= lam_low) & (j + step >= max(lam_up, 0))
    return np.where(legal, np.maximum(table[step], 0.0), 0.0)


def budo(state: State, v: int, part: int, j: np.ndarray) -> np.ndarray:
    """Triplet Π term values F1, F2, F3 (part 1, 2, 3 in order of energy), Budó 1935."""
    b = state.b(v)
    y = state.spin_orbit / b
    jj = j * (j + 1)
    z1 = y * (y - 4) + 4.0 / 3.0 + 4 * jj
    z2 = (y * (y - 1) - 4.0 / 9.0 - 2 * jj) / (3 * z1)
    inner = {1: -np.sqrt(z1) - 2 * z2, 2: 4 * z2, 3: np.sqrt(z1) - 2 * z2}[part]
    centrifugal = {1: j - 0.5, 2: j + 0.5, 3: j + 1.5}[part] ** 4
    return b * (jj + inner) - state.stretch * centrifugal


def hill_van_vleck(state: State, v: int, part: int, j: np.ndarray) -> np.ndarray:
    """Doublet Π or Δ term values F1, F2 (N = J - 1/2, J + 1/2), Hill and Van Vleck 1928."""
    b = state.b(v)
    y = state.spin_orbit / b
    lam = state.big_lambda
    root = 0.5 * np.sqrt(4 * (j + 0.5) ** 2 + y * (y - 4) * lam**2)
    sign = -1 if part == 1 else 1
    n = j - 0.5 if part == 1 else j + 0.5
    return b * ((j + 0.5) ** 2 - lam**2 + sign * root) - state.stretch * (n * (n + 1)) ** 2


def doublet_mixture(state: State, v: int, part: int, j: float) -> dict[float, float]:
    """Amplitudes of a doublet level over Σ = -1/2, +1/2, from the two-level closed form."""
    lam = state.big_lambda
    b = state.b(v)
    y = state.spin_orbit / b
    if j < lam + 0.5:
        return {-0.5: 1.0, 0.5: 0.0} if part == 1 or lam == 0 else {}
    x = 4 * (j + 0.5) ** 2 + y * (y - 4) * lam**2
    tilt = lam * (y - 2) / np.sqrt(x)
    big, small = np.sqrt((1 + tilt) / 2), np.sqrt(max(1 - tilt, 0.0) / 2)
    return {-0.5: big, 0.5: small} if part == 1 else {-0.5: -small, 0.5: big}


def case_b_mixture(spin: float, lam: int, n: int, j: float) -> dict[float, float]:
    """Case (b) function over case (a) functions with given Σ (Brown and Carrington 2003, eq. 6.149)."""
    out = {}
    for k in range(round(2 * spin) + 1):
        sigma = -spin + k
        omega = lam + sigma
        phase = (-1) ** round(n - spin + omega)
        out[sigma] = phase * np.sqrt(2 * n + 1) * racah(j, spin, n, omega, -sigma, -lam)
    return out


def moment(
    upper: dict[float, float], lower: dict[float, float], jj: tuple[float, float], lams: tuple[int, int]
) -> float:
    """Squared transition amplitude between two mixtures of case (a) functions; Σ is kept."""
    j_up, j_low = jj
    total = 0.0
    for sigma, c_up in upper.items():
        c_low = lower.get(sigma, 0.0)
        if c_up == 0.0 or c_low == 0.0:
            continue
        o_up, o_low = lams[0] + sigma, lams[1] + sigma
        if abs(o_up) > j_up or abs(o_low) > j_low:
            continue
        total += (
            c_up * c_low * (-1) ** round(j_up - o_up) * racah(j_up, 1, j_low, -o_up, lams[0] - lams[1], o_low)
        )
    return (2 * j_up + 1) * (2 * j_low + 1) * total**2


def _collect(parts: list[tuple]) -> BandLines:
    offset, upper, strength = (np.concatenate([np.atleast_1d(p[i]) for p in parts]) for i in range(3))
    keep = (strength > 1e-6) & (upper < E_TOP) & np.isfinite(offset)
    return BandLines(offset[keep], upper[keep], strength[keep])


def sigma_sigma(up: State, low: State, vu: int, vl: int) -> BandLines:
    """Σ-Σ: P and R in N; doublets, when split, by spin-rotation ± γ/2 N."""
    n = np.arange(0, J_TOP, dtype=float)
    weight = np.where(n % 2 == 0, *low.weights)
    parts = []
    spin_parts = (0.0,) if up.multiplicity == 1 else (0.5, -0.5)
    for step in (-1, 1):
        n_up = n + step
        for s in spin_parts:
            e_up = up.b(vu) * n_up * (n_up + 1) - up.stretch * (n_up * (n_up + 1)) ** 2
            e_low = low.b(vl) * n * (n + 1) - low.stretch * (n * (n + 1)) ** 2
            e_up = e_up + up.spin_rotation * s * n_up
            e_low = e_low + low.spin_rotation * s * n
            strength = honl_london(step, n, 0, 0) * weight / len(spin_parts)
            strength = np.where(n_up >= 0, strength, 0.0)
            parts.append((e_up - e_low, e_up, strength))
    return _collect(parts)


def singlet_like(up: State, low: State, vu: int, vl: int) -> BandLines:
    """Any ΔΛ with the spin left out: P, Q, R in N."""
    n = np.arange(low.big_lambda, J_TOP, dtype=float)
    parts = []
    for step in (-1, 0, 1):
        m = n + step
        e_up = up.b(vu) * (m * (m + 1) - up.big_lambda**2) - up.stretch * (m * (m + 1)) ** 2
        e_low = low.b(vl) * (n * (n + 1) - low.big_lambda**2) - low.stretch * (n * (n + 1)) ** 2
        parts.append((e_up - e_low, e_up, honl_london(step, n, up.big_lambda, low.big_lambda)))
    return _collect(parts)


def triplet_pi_pi(up: State, low: State, vu: int, vl: int) -> BandLines:
    """Triplet Π-Π: three parallel sub-bands between Budó's components, case (a) strengths."""
    parts = []
    for part in (1, 2, 3):
        omegas = (0, 1, 2) if up.spin_orbit > 0 else (2, 1, 0)
        omega = omegas[part - 1]
        j = np.arange(omega, J_TOP, dtype=float)
        for step in (-1, 0, 1):
            k = j + step
            e_up = np.where(k >= omega, budo(up, vu, part, np.maximum(k, 0)), 0.0)
            strength = np.where(k >= omega, honl_london(step, j, omega, omega), 0.0)
            parts.append((e_up - budo(low, vl, part, j), e_up, strength))
    return _collect(parts)


def pi_levels(state: State, v: int, j: float) -> list[tuple[float, dict[float, float]]]:
    """Energies (rising) and mixtures over Σ of a Π state of any multiplicity at J, no Λ-doubling.

    Herzberg 1950, chapter V: spin-orbit A Λ Σ and B (J - L - S)² in case (a) functions.
    """
    spin = (state.multiplicity - 1) / 2
    b = state.b(v)
    sigmas = [k - spin for k in range(state.multiplicity) if abs(1 + k - spin) <= j]
    h = np.zeros((len(sigmas), len(sigmas)))
    for k, s in enumerate(sigmas):
        o = 1 + s
        h[k, k] = state.spin_orbit * s + b * (j * (j + 1) - o**2 + spin * (spin + 1) - s**2)
        if k + 1 < len(sigmas):
            h[k, k + 1] = -b * np.sqrt((j * (j + 1) - o * (o + 1)) * (spin * (spin + 1) - s * (s + 1)))
            h[k + 1, k] = h[k, k + 1]
    energy, vector = np.linalg.eigh(h)
    return [
        (float(e), dict(zip(sigmas, (float(x) for x in c), strict=True)))
        for e, c in zip(energy, vector.T, strict=True)
    ]


@cache
def _pi_sigma_table(pi: State, flip: bool) -> np.ndarray:
    """Rows J of Π, rank of its level, J of Σ, N of Σ, strength; taken at v = 0, the same for every band."""
    spin = (pi.multiplicity - 1) / 2
    rows = []
    for k in range(J_TOP):
        jp = k + spin % 1
        for rank, (_, mix) in enumerate(pi_levels(pi, 0, jp)):
            for js in (jp - 1, jp, jp + 1):
                for n in range(max(round(js - spin), 0), round(js + spin) + 1):
                    if js < abs(n - spin):
                        continue
                    mixed = case_b_mixture(spin, 0, n, js)
                    s = moment(mixed, mix, (js, jp), (0, 1)) if flip else moment(mix, mixed, (jp, js), (1, 0))
                    if s > 1e-6:
                        rows.append((jp, rank, js, n, s))
    return np.array(rows, float)


@cache
def _pi_energies(pi: State, v: int) -> np.ndarray:
    """Energies by J (rounded down) and rank."""
    out = np.zeros((J_TOP + 2, pi.multiplicity))
    half = (pi.multiplicity - 1) / 2 % 1
    for k in range(J_TOP):
        energies = [e for e, _ in pi_levels(pi, v, k + half)]
        out[k, : len(energies)] = energies
    return out


def pi_sigma(up: State, low: State, vu: int, vl: int) -> BandLines:
    """Π-Σ or Σ-Π of any multiplicity above two: Π between cases (a) and (b), Σ in case (b)."""
    flip = up.big_lambda == 0
    pi, sig, vp, vs = (low, up, vl, vu) if flip else (up, low, vu, vl)
    jp, rank, _, n, strength = _pi_sigma_table(pi, flip).T
    e_pi = _pi_energies(pi, vp)[jp.astype(int), rank.astype(int)]
    e_pi = e_pi - pi.stretch * (jp * (jp + 1)) ** 2
    e_sig = sig.b(vs) * n * (n + 1) - sig.stretch * (n * (n + 1)) ** 2
    e_up, e_low = (e_sig, e_pi) if flip else (e_pi, e_sig)
    return _collect([(e_up - e_low, e_up, strength * np.where(n % 2 == 0, *sig.weights))])


def triplet_case_b(up: State, low: State, vu: int, vl: int) -> BandLines:
    """Triplet Π-Σ near case (b): main branches ΔJ = ΔN, Budó energies above."""
    parts = []
    for part in (1, 2, 3):
        n = np.arange(1, J_TOP, dtype=float)
        for step in (-1, 0, 1):
            m = n + step
            j = m + (2 - part)  # F1 is J = N + 1
            ok = (m >= 1) & (j >= 0)
            e_up = np.where(ok, budo(up, vu, part, np.where(ok, j, 2.0)), 0.0)
            e_low = low.b(vl) * n * (n + 1) - low.stretch * (n * (n + 1)) ** 2
            strength = honl_london(step, n, 1, 0) * (2 * np.maximum(j, 0) + 1) / (3 * (2 * m + 1))
            parts.append((e_up - e_low, e_up, np.where(ok, strength, 0.0)))
    return _collect(parts)


def _doublet_energy(state: State, v: int, part: np.ndarray, j: np.ndarray) -> np.ndarray:
    if state.big_lambda:
        return np.where(part == 1, hill_van_vleck(state, v, 1, j), hill_van_vleck(state, v, 2, j))
    n = np.where(part == 1, j - 0.5, j + 0.5)
    spin = state.spin_rotation / 2 * np.where(part == 1, n, -(n + 1))
    return state.b(v) * n * (n + 1) - state.stretch * (n * (n + 1)) ** 2 + spin


def _doublet_levels(state: State, j: float) -> list[tuple[int, dict[float, float]]]:
    """Which F1, F2 exist at J, and their mixtures (taken at v = 0)."""
    lam = state.big_lambda
    if lam == 0:
        return [
            (1, case_b_mixture(0.5, 0, round(j - 0.5), j)),
            (2, case_b_mixture(0.5, 0, round(j + 0.5), j)),
        ]
    if j < lam - 0.5:
        return []
    if j < lam + 0.5:  # only the smaller Ω exists: the lower level if the spin-orbit term is large
        return [(1 if state.spin_orbit / state.b(0) > 2 else 2, {-0.5: 1.0})]
    return [(p, doublet_mixture(state, 0, p, j)) for p in (1, 2)]


@cache
def _doublet_table(up: State, low: State) -> np.ndarray:
    """Rows part above, J above, part below, J below, strength with spin weight."""
    rows = []
    for k in range(J_TOP):
        j_up = k + 0.5
        for p_up, mix_up in _doublet_levels(up, j_up):
            for j_low in (j_up - 1, j_up, j_up + 1):
                for p_low, mix_low in _doublet_levels(low, j_low) if j_low > 0 else []:
                    s = moment(mix_up, mix_low, (j_up, j_low), (up.big_lambda, low.big_lambda))
                    if s > 1e-6:
                        rows.append((p_up, j_up, p_low, j_low, s))
    return np.array(rows, float)


def doublet(up: State, low: State, vu: int, vl: int) -> BandLines:
    """Any doublet with Π or Δ: Hill and Van Vleck energies and mixtures, main and satellite branches."""
    p_up, j_up, p_low, j_low, strength = _doublet_table(up, low).T
    e_up = _doublet_energy(up, vu, p_up, j_up)
    return _collect([(e_up - _doublet_energy(low, vl, p_low, j_low), e_up, strength)])


RECIPE = {
    "N2 second positive": ("N2_C", "N2_B", triplet_pi_pi),
    "N2 first positive": ("N2_B", "N2_A", pi_sigma),
    "N2+ first negative": ("N2+_B", "N2+_X", sigma_sigma),
    "OH A-X": ("OH_A", "OH_X", doublet),
    "NH A-X": ("NH_A", "NH_X", triplet_case_b),
    "CH A-X": ("CH_A", "CH_X", doublet),
    "CH B-X": ("CH_B", "CH_X", doublet),
    "CN violet": ("CN_B", "CN_X", sigma_sigma),
    "C2 Swan": ("C2_d", "C2_a", triplet_pi_pi),
    "CO Angstrom": ("CO_B", "CO_A", singlet_like),
    "CO third positive": ("CO_b", "CO_a", pi_sigma),
    "CO+ comet tail": ("CO+_A", "CO+_X", doublet),
    "NO gamma": ("NO_A", "NO_X", doublet),
    "NO beta": ("NO_B", "NO_X", doublet),
    "O2+ first negative": ("O2+_b", "O2+_a", pi_sigma),
    "AlO B-X": ("AlO_B", "AlO_X", sigma_sigma),
    "SiO A-X": ("SiO_A", "SiO_X", singlet_like),
    "SiH A-X": ("SiH_A", "SiH_X", doublet),
}


def air_from_vacuum_cm(wavenumber: np.ndarray) -> np.ndarray:
    """Air wavelength in nm of a vacuum wavenumber in cm-1, Edlén 1966 (standard air)."""
    s2 = (np.asarray(wavenumber) * 1e-4) ** 2
    n = 1 + 1e-8 * (8342.13 + 2406030 / (130 - s2) + 15997 / (38.9 - s2))
    return 1e7 / (wavenumber * n)


def head_nm(nm: np.ndarray, strength: np.ndarray, near: float, reach: float = 0.15) -> float:
    """Edge of the band nearest to a wavelength, among the steep ones, seen at 0.06 nm FWHM."""
    grid = np.arange(near - reach - 0.5, near + reach + 0.5, 0.002)
    sd = 0.06 / 2.355
    close = (nm > grid[0] - 0.3) & (nm < grid[-1] + 0.3)
    look = np.exp(-0.5 * ((grid[:, None] - nm[close]) / sd) ** 2) @ strength[close]
    slope = np.abs(np.gradient(look, grid))
    peak = (slope > np.roll(slope, 1)) & (slope >= np.roll(slope, -1)) & (slope > 0.15 * slope.max())
    candidates = grid[peak & (np.abs(grid - near) <= reach)]
    return float(candidates[np.argmin(np.abs(candidates - near))]) if candidates.size else float("nan")
