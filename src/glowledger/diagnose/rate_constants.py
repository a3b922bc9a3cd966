"""The user's own rate constants, and what they make of an actinometry ratio."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from glowledger.bench.model import Response
from glowledger.diagnose.actinometry import (
    ARGON_LABEL,
    ARGON_NM,
    ActinometerPair,
    actinometry_constant,
    branching_with_quenching,
)
from glowledger.diagnose.state import emitter_rows
from glowledger.errors import TableError
from glowledger.glow.results import Fit
from glowledger.tables import atoms

ELEMENTS = ("Ar", "O", "H", "N")
TERM_EV = 6e-4  # levels of one term lie closer: O 3p 3P 1e-4, H n = 3 3e-5 (NIST ASD)
KEYS = frozenset({"rate_m3_s", "relative_error", "quenching"})
EXAMPLE = (
    "Write e.g.\n  argon_share = 0.05\n  [Ar]\n  rate_m3_s = 1.1e-17\n  relative_error = 0.2\n  [O]\n"
    "  rate_m3_s = 2.0e-17\n  relative_error = 0.2\n  quenching = [[9.4e-16, 3.2e21]]\nwith electron-impact rate "
    "constants for your plasma, and quenching rate constants (m^3/s) with densities (m^-3)."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelRate:
    """How one level is filled and emptied.

    Attributes
    ----------
    rate_m3_s, relative_error : float
        Electron-impact excitation from the ground state, and its relative standard error.
    quenching : tuple of (float, float)
        Rate constant, m^3/s, and density of each quencher, m^-3.
    """

    rate_m3_s: float
    relative_error: float
    quenching: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """The user's rate constants: `argon_share` is the mole fraction of argon; `levels` by element, Ar always."""

    argon_share: float
    levels: Mapping[str, LevelRate]


def parse_rates(text: str) -> Rates:
    """Read rate constants from TOML.

    Raises
    ------
    TableError
        If it is no such file; the mend shows one.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise TableError(f"the rate constants are no valid TOML ({error}).", mend=EXAMPLE) from None
    share = document.pop("argon_share", None)
    if isinstance(share, bool) or not isinstance(share, (int, float)) or not 0 < share < 1:
        raise TableError("'argon_share' is missing or no mole fraction of 0 to 1.", mend=EXAMPLE)
    strange = [name for name in document if name not in ELEMENTS]
    if strange:
        raise TableError(f"'{strange[0]}' has no place here; there are {', '.join(ELEMENTS)}.", mend=EXAMPLE)
    if "Ar" not in document or len(document) < 2:
        raise TableError("actinometry needs [Ar] and one of [O], [H], [N].", mend=EXAMPLE)
    return Rates(argon_share=float(share), levels={name: _level(name, entry) for name, entry in document.items()})


def _level(name: str, entry: Any) -> LevelRate:
    """Read one level; every key is checked."""
    if not isinstance(entry, dict) or not set(entry) <= KEYS or not {"rate_m3_s", "relative_error"} <= set(entry):
        keys = ", ".join(sorted(KEYS))
        raise TableError(f"[{name}] must hold {keys}, the first of which may be left out.", mend=EXAMPLE)
    quenching = entry.get("quenching", [])
    try:
        rate, error = float(entry["rate_m3_s"]), float(entry["relative_error"])
        pairs = tuple((float(k), float(n)) for k, n in quenching)
    except (TypeError, ValueError):
        raise TableError(f"[{name}] holds a value that is no number, or no pair of them.", mend=EXAMPLE) from None
    if not (rate > 0 and 0 < error < 10 and all(k >= 0 and n >= 0 for k, n in pairs)):
        raise TableError(f"[{name}] holds a rate or error that is not positive, or a negative quencher.", mend=EXAMPLE)
    return LevelRate(rate_m3_s=rate, relative_error=error, quenching=pairs)


def constant_for(fit: Fit, pair: ActinometerPair, rates: Rates, response: Response) -> tuple[float, float] | None:
    """Return K of a pair and its relative standard error; None where rates or lines of it are missing.

    Parameters
    ----------
    fit : Fit
        Its emitters hold all lines of an upper level within the range, in counts.
    pair : ActinometerPair
        One of `PAIRS`.
    rates : Rates
        The user's.
    response : Response
        Relative photon response.

    Notes
    -----
    Coburn & Chen 1980, in photons: K = (S_Ar k_Ar a_Ar) / (S_X k_X a_X); here S·a is summed over all lines of the
    level that were fitted, each with its own response. Rates of the lines are those of the table; light in lines the
    table lacks (vacuum ultraviolet) is taken as trapped.
    """
    element = pair.name.split("/")[0]
    if element not in rates.levels:
        return None
    own = _seen_part(fit, f"{element} I", pair.wavelength_nm, pair.label, rates.levels[element], response)
    argon = _seen_part(fit, "Ar I", ARGON_NM, ARGON_LABEL, rates.levels["Ar"], response)
    if own is None or argon is None:
        return None
    k = (rates.levels[element].rate_m3_s, rates.levels["Ar"].rate_m3_s)
    value = actinometry_constant((pair.wavelength_nm, ARGON_NM), (own[0], argon[0]), k, (1.0, 1.0))
    error = np.sqrt(
        sum(rates.levels[name].relative_error ** 2 for name in (element, "Ar")) + own[1] ** 2 + argon[1] ** 2
    )
    return value, float(error)


def _seen_part(
    fit: Fit, species: str, wavelength_nm: float, label: str, level: LevelRate, response: Response
) -> tuple[float, float] | None:
    """Return counts per excitation of a level, relative, and its relative error."""
    if not emitter_rows(fit, label).size:
        return None
    lines = atoms.load().select(species)
    lines = lines[np.isfinite(lines.ga_ki) & (lines.ga_ki > 0)]
    energy = lines.upper_ev()
    main = np.argmin(np.abs(lines.wavelength_nm - wavelength_nm))
    lines = lines[np.abs(energy - energy[main]) < TERM_EV]
    levels = np.unique(np.stack([lines.e_upper_cm, lines.g_upper]), axis=1)
    a_ki = lines.ga_ki / float(levels[1].sum())  # of the term, its levels filled by their weights
    here = (lines.wavelength_nm > fit.axis_nm[0]) & (lines.wavelength_nm < fit.axis_nm[-1])
    seen = sum(
        branching_with_quenching(float(a), float(a_ki.sum()), level.quenching) * float(response.at(np.array([nm]))[0])
        for a, nm in zip(a_ki[here], lines.wavelength_nm[here], strict=True)
    )
    if seen <= 0:
        return None
    nearest = float(np.interp(wavelength_nm, response.at_nm, response.relative_error))
    return float(seen), nearest
