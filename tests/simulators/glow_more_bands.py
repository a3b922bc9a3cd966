"""Add the bands to higher lower levels that `glow_bands.csv` would lack; run once, by hand, from this folder.

A progression cut short sends all light of an upper level into the bands that are left, and shows dark places
where any real glow has bands. Overlaps of Morse functions (Morse, Phys. Rev. 34, 57 (1929)) of the constants
in `glow_states.csv`, found on a grid of sinc functions (Colbert & Miller, J. Chem. Phys. 96, 1982 (1992),
from memory), put on the scale of the bands that are there by their sum of overlap times cubed wavenumber.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from glow_facts import states
from glow_rotation import RECIPE

HERE = Path(__file__).resolve().parent
SCALE_CM = 16.857629  # ħ²/(2 hc), in cm-1 u Å²: CODATA 2018
ENOUGH = 0.97  # of an upper level's overlap: what is left out then does not matter
FAINTEST = 0.004
REDDEST_CM = 9000.0  # beyond it no silicon sees
MORE = 14  # lower levels beyond the last one listed
R_A = np.linspace(0.7, 3.2, 900)


MASS_U = {
    "N2": 7.0015, "N2+": 7.0013, "OH": 0.9481, "NH": 0.9402, "CH": 0.9297, "CN": 6.4622, "C2": 6.0, "CO": 6.8562,
    "CO+": 6.8560, "NO": 7.4664, "O2+": 7.9973, "AlO": 10.0419, "SiO": 10.1767, "SiH": 0.9728,
}  # fmt: skip


def functions(name: str, species: str) -> np.ndarray:
    """Vibrational functions of a state on the grid, one row per level."""
    state = states()[name]
    we, wx = state.vibration[:2]
    mass = MASS_U[species]
    r_e = np.sqrt(SCALE_CM / (mass * state.rotation[0]))
    depth = we**2 / (4 * max(wx, 0.5))
    beta = np.sqrt(mass * max(wx, 0.5) / SCALE_CM)
    potential = depth * (1 - np.exp(-beta * (R_A - r_e))) ** 2
    step = R_A[1] - R_A[0]
    apart = np.subtract.outer(np.arange(R_A.size), np.arange(R_A.size))
    with np.errstate(divide="ignore"):
        kinetic = np.where(apart == 0, np.pi**2 / 3, 2.0 * (-1.0) ** apart / np.where(apart == 0, 1, apart) ** 2)
    energy = kinetic * SCALE_CM / (mass * step**2) + np.diag(np.minimum(potential, 2e5))
    return np.linalg.eigh(energy)[1].T[:40]


def main() -> None:
    """Append what is missing."""
    path = HERE / "glow_bands.csv"
    text = path.read_text(encoding="utf-8")
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    added = []
    for species, system in dict.fromkeys((r["species"], r["system"]) for r in rows):
        up, low = RECIPE[system][:2]
        overlap = (functions(up, species) @ functions(low, species).T) ** 2
        a, b = states()[up], states()[low]
        for v in sorted({int(r["v_upper"]) for r in rows if r["system"] == system}):
            mine = [r for r in rows if r["system"] == system and int(r["v_upper"]) == v]
            listed = [int(r["v_lower"]) for r in mine]
            if sum(overlap[v, listed]) > ENOUGH:
                continue
            weight = overlap[v] * np.array([max(a.vib(v) - b.vib(k), 0.0) for k in range(40)]) ** 3
            rates = [float(r["A_per_s"]) for r in mine if r["A_per_s"]]
            factors = [float(r["franck_condon"]) for r in mine if r["franck_condon"]]
            for k in range(max(listed) + 1, max(listed) + 1 + MORE):
                if overlap[v, k] < FAINTEST or a.vib(v) - b.vib(k) < REDDEST_CM:
                    continue
                rate = f"{sum(rates) * weight[k] / weight[listed].sum():.3e}" if len(rates) == len(mine) else ""
                factor = overlap[v, k] * (sum(factors) / overlap[v, listed].sum() if factors else 1.0)
                added.append(f"{species},{system},{v},{k},{rate},{factor:.5f},,overlap of Morse functions")
    path.write_text(text.rstrip("\n") + "\n" + "\n".join(added) + "\n", encoding="utf-8")
    print(f"{len(added)} bands added")


if __name__ == "__main__":
    main()
