"""Light of every line and band of levels that show several: what branching ratios can be read from."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.glow.bands import upper_level_lines
from glowledger.glow.emitters import Emitter
from glowledger.glow.identifying import Identified
from glowledger.glow.instrument import error_shape, response_templates
from glowledger.glow.templates import emission_grid
from glowledger.tables import atoms

Floats = NDArray[np.float64]

SPECIES = ("Ar I", "N2")
BANDS = "N2 C-B"
FAINTEST = 0.004  # of the level's photons: fainter lines and bands stay with the rest
LEAST_SIGMA = 4.0
FREEDOM = 1.0  # of its fitted amount that any line may stray before data speak: settles blends with faint lines
STANDS_OUT = 12.0  # random standard deviations of a line, as fitted, below which it is not measured on its own
MISMATCHES = (0.005, 0.01, 0.02, 0.03, 0.045, 0.07, 0.1, 0.15)  # template errors tried
LEAST_ERROR = 0.01  # of ln(light): template errors are never less
# Columns of Ar I in the four lowest excited levels, m⁻², a cathode glow of some 5 cm at 0.1 Torr: common practice,
# no source; energies cm⁻¹. 1s5 and 1s3 are metastable, light of 1s4 and 1s2 is trapped.
COLUMN_M2 = {93143.76: 1e15, 93750.60: 2e14, 94553.67: 2e14, 95399.83: 1e14}
ARGON_SPEED_M_S = 456.0  # most probable speed of argon at 500 K
MOST_ABSORBED = 0.06  # loss by self-absorption beyond which a line is left out; below, it is an error


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BranchingLines:
    """Lines and bands by upper level; m of them.

    Attributes
    ----------
    label : tuple of str
        ``Ar I 750.39``, ``N2 C-B (0,1)``.
    level : ndarray of int, shape (m,)
        Which share an upper level; numbers from 0 without gap.
    level_names : tuple of str
        By number.
    nm : ndarray of shape (m,)
        Where they stand.
    log_light : ndarray of shape (m,)
        ln of the light over what branching and the expected response predict; equal within a level if both hold.
    error : ndarray of shape (m,)
        Standard error of `log_light`, transition rates included.
    left_out : tuple of str
        What was not used and why.
    """

    label: tuple[str, ...]
    level: NDArray[np.intp]
    level_names: tuple[str, ...]
    nm: Floats
    log_light: Floats
    error: Floats
    left_out: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Part:
    label: str
    level: int  # number of the emitter in the scene: two levels may have one label
    emitter: Emitter
    nm: float
    rate_error: float


def branching_lines(identified: Identified) -> BranchingLines:
    """Measure each line and band of Ar I and N2 levels on its own, all else as fitted.

    Parameters
    ----------
    identified : Identified
        The fit of one spectrum.

    Returns
    -------
    BranchingLines
        Only of levels with two or more measured lines; may be empty.
    """
    parts, left_out = _parts(identified)
    if not parts:
        return _nothing(left_out)
    light, error = _measured(identified, parts)
    keep = [k for k in range(len(parts)) if light[k] > LEAST_SIGMA * error[k]]
    counted = [parts[k].level for k in keep]
    keep = [k for k in keep if counted.count(parts[k].level) > 1]
    if not keep:
        return _nothing(left_out)
    names = tuple(dict.fromkeys(parts[k].level for k in keep))
    emitters = identified.scene.emitters
    random = np.hypot(error[keep] / light[keep], LEAST_ERROR)
    return BranchingLines(
        label=tuple(parts[k].label for k in keep),
        level=np.array([names.index(parts[k].level) for k in keep], dtype=np.intp),
        level_names=tuple(emitters[number].label for number in names),
        nm=np.array([parts[k].nm for k in keep]),
        log_light=np.log(light[keep]),
        error=np.hypot(random, [parts[k].rate_error for k in keep]),
        left_out=left_out,
    )


def _nothing(left_out: tuple[str, ...]) -> BranchingLines:
    empty = np.zeros(0)
    return BranchingLines(
        label=(), level=np.zeros(0, dtype=np.intp), level_names=(), nm=empty, log_light=empty, error=empty,
        left_out=left_out,
    )  # fmt: skip


def _parts(identified: Identified) -> tuple[list[_Part], tuple[str, ...]]:
    """Return the lines and bands of lit levels that stand out, and what is left out for self-absorption."""
    scene, solution = identified.scene, identified.solution
    low, high = float(scene.axis_nm[0]), float(scene.axis_nm[-1])
    found: list[_Part] = []
    absorbed: list[str] = []
    for number, emitter in enumerate(scene.emitters):
        if emitter.species not in SPECIES or solution.x[number] <= 0:
            continue
        if emitter.label.startswith(f"{BANDS} v'="):
            found.extend(_bands(emitter, number))
        elif emitter.species == "Ar I" and emitter.label.endswith(" eV"):
            lines, out = _argon_lines(emitter, number)
            found.extend(lines)
            absorbed.extend(f"{nm:.2f}" for nm in out if low < nm < high)
    width = float(scene.line_spread.fwhm(0.5 * (low + high)))
    inside = [part for part in found if low + width < part.nm < high - width]
    stands = _stands_out(identified, inside)
    note = f"Ar I {', '.join(sorted(set(absorbed)))} nm, which metastable or trapped argon in the glow absorbs"
    return [part for part, seen in zip(inside, stands, strict=True) if seen], (note,) if absorbed else ()


def _stands_out(identified: Identified, parts: list[_Part]) -> NDArray[np.bool_]:
    """Return which parts, as fitted, stand out of the random noise."""
    if not parts:
        return np.zeros(0, dtype=bool)
    scene, solution = identified.scene, identified.solution
    light = _columns(identified, [p.emitter for p in parts]) * solution.x[[p.level for p in parts]]
    random = solution.levels.random_variance(solution.model) + scene.stated_variance
    return np.asarray(np.sqrt(np.sum(light[scene.used] ** 2 / random[scene.used, None], axis=0)) > STANDS_OUT)


def _columns(identified: Identified, emitters: list[Emitter]) -> Floats:
    """Return counts of emitters by the expected response, where the fit has moved the axis, shape (p, k)."""
    scene, adjustment = identified.scene, identified.solution.adjustment
    grid = emission_grid(
        [e.wavelength_nm for e in emitters], [e.rate for e in emitters], scene.line_spread,
        float(scene.axis_nm[0]), float(scene.axis_nm[-1]),
    )  # fmt: skip
    edges = scene.edges_nm + scene.shift_basis @ adjustment.shift_nm
    return np.asarray(grid.spread(adjustment.shape).on_pixels(edges) * scene.expected[:, None])


def _bands(emitter: Emitter, number: int) -> list[_Part]:
    v = int(emitter.label.rpartition("=")[2])
    lines = upper_level_lines(BANDS, v)
    found = []
    for lower in np.unique(lines.v_lower):
        rows = lines.v_lower == lower
        if float(emitter.rate[rows].sum()) < FAINTEST:
            continue
        one = replace(emitter, wavelength_nm=emitter.wavelength_nm[rows], rate=emitter.rate[rows])
        nm = float(np.average(emitter.wavelength_nm[rows], weights=emitter.rate[rows]))
        found.append(_Part(
            label=f"{BANDS} ({v},{lower})", level=number, emitter=one, nm=nm, rate_error=emitter.branching_error,
        ))  # fmt: skip
    return found


def _argon_lines(emitter: Emitter, number: int) -> tuple[list[_Part], list[float]]:
    table = atoms.load().select("Ar I")
    errors = table.a_relative_error()
    found, absorbed = [], []
    for k, nm in enumerate(emitter.wavelength_nm):
        if emitter.rate[k] < FAINTEST:
            continue
        row = int(np.argmin(np.abs(table.wavelength_nm - nm)))
        loss = absorbed_part(table, row)
        if loss > MOST_ABSORBED:
            absorbed.append(float(nm))
            continue
        one = replace(emitter, wavelength_nm=emitter.wavelength_nm[k : k + 1], rate=emitter.rate[k : k + 1])
        error = float(np.hypot(np.nan_to_num(errors[row], nan=0.5), loss))
        found.append(_Part(label=f"Ar I {nm:.2f}", level=number, emitter=one, nm=float(nm), rate_error=error))
    return found, absorbed


def absorbed_part(table: atoms.AtomicLines, row: int) -> float:
    """Return the part of a line of Ar I that a typical glow absorbs itself.

    Parameters
    ----------
    table : AtomicLines
        Lines of Ar I.
    row : int
        The line.

    Returns
    -------
    float
        0 where the lower level is not one of the four lowest excited ones, or the rate is unknown.

    Notes
    -----
    Optical depth at the centre of a Doppler line, τ = λ³ (g_u/g_l) A N / (8 π^1.5 v) with v the most probable
    speed (Mitchell & Zemansky 1934, from memory); loss τ / (τ + 2√2), the first terms of the escape from a slab.
    The column N differs from glow to glow by factors: this only sorts lines into used and left out.
    """
    energy = float(table.e_lower_cm[row])
    column = next((n for level, n in COLUMN_M2.items() if abs(level - energy) < 1.0), 0.0)
    depth = (
        (table.wavelength_nm[row] * 1e-9) ** 3 * table.ga_ki[row] / table.g_lower[row] * column
        / (8 * np.pi**1.5 * ARGON_SPEED_M_S)
    )  # fmt: skip
    return float(np.nan_to_num(depth / (depth + 2 * np.sqrt(2))))


def _measured(identified: Identified, parts: list[_Part]) -> tuple[Floats, Floats]:
    """Return the light of each part with its standard error, by one linear fit beside everything else.

    The template error is found anew, as the most likely one: wrong branching no longer adds to it.
    """
    scene, solution = identified.scene, identified.solution
    m = len(scene.emitters)
    own = _columns(identified, [p.emitter for p in parts])
    smooth = solution.columns[:, m:][:, solution.x[m:] > 0]
    others, fitted = _remaining(identified, parts, response_templates(scene, solution.adjustment))
    columns = np.concatenate([own, others, smooth, np.ones((scene.data.size, 1))], axis=1)
    fitted = np.concatenate([solution.x[[p.level for p in parts]], fitted])
    prior = (np.pad(fitted, (0, columns.shape[1] - fitted.size)), FREEDOM * fitted)
    shape = error_shape(scene, solution.lines)  # without doubt in branches: each has an amount of its own here
    best: tuple[float, Floats, Floats] | None = None
    for mismatch in MISMATCHES:
        levels = replace(solution.levels, mismatch=mismatch)
        plain = levels.pixel_variance(solution.model, shape) + scene.stated_variance
        variance = levels.line_variance(solution.model, shape, scene.pixels_per_line) + scene.stated_variance
        amounts, errors = _solved(columns, scene.data, np.where(scene.used, 1.0 / variance, 0.0), prior)
        left = (scene.data - columns @ amounts)[scene.used] ** 2 / plain[scene.used]
        # Student's t, as the noise of the fit itself
        misfit = float(np.sum(np.log(plain[scene.used]) + 5.0 * np.log1p(left / 4.0)))
        if best is None or misfit < best[0]:
            best = (misfit, amounts, errors)
    if best is None:
        raise ValueError("no template error was tried")
    return best[1][: len(parts)], best[2][: len(parts)]


def _solved(columns: Floats, data: Floats, weight: Floats, prior: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """Return amounts and errors; `prior` holds expected amounts, and standard deviations of the first of them."""
    scale = np.sqrt(np.maximum(weight @ columns**2, 1e-300))
    unit = columns / scale
    normal = unit.T @ (unit * weight[:, None]) + 1e-9 * np.eye(scale.size)
    expected, deviation = prior
    tie = np.pad(deviation**-2, (0, scale.size - deviation.size)) / scale**2
    inverse = np.linalg.inv(normal + np.diag(tie))
    amounts = inverse @ (unit.T @ (weight * data) + tie * scale * expected) / scale
    return amounts, np.sqrt(np.maximum(np.diag(inverse), 0.0)) / scale


def _remaining(identified: Identified, parts: list[_Part], templates: Floats) -> tuple[Floats, Floats]:
    """Return columns and fitted amounts of other emitters, and of what is left of the split ones.

    Left are lines that are absorbed, or too faint.
    """
    scene, solution = identified.scene, identified.solution
    split = {p.level for p in parts}
    rest = [i for i in range(len(scene.emitters)) if solution.x[i] > 0 and i not in split]
    left: list[Emitter] = []
    amounts: list[float] = []
    for number in sorted(split):
        whole = scene.emitters[number]
        taken = np.concatenate([p.emitter.wavelength_nm for p in parts if p.level == number])
        remain = ~np.isin(whole.wavelength_nm, taken)
        bright = remain & (whole.rate > FAINTEST) if whole.species == "Ar I" else np.zeros_like(remain)
        groups = [np.arange(remain.size) == k for k in np.flatnonzero(bright)] + [remain & ~bright]
        pieces = [g for g in groups if g.any()]
        left += [replace(whole, wavelength_nm=whole.wavelength_nm[g], rate=whole.rate[g]) for g in pieces]
        amounts += [float(solution.x[number])] * len(pieces)
    extra = _columns(identified, left) if left else np.zeros((scene.data.size, 0))
    seen = extra.max(axis=0, initial=0.0) > 0
    fitted = np.concatenate([solution.x[rest], np.array(amounts, dtype=np.float64)[seen]])
    return np.concatenate([templates[:, rest], extra[:, seen]], axis=1), fitted
