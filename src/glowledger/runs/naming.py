"""Name a change of conditions from the levels before and after it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.runs.ratios import REFERENCES

Floats = NDArray[np.float64]

PROCESS = (*REFERENCES, "O2+", "N2+", "CO2+", "Ar II", "He II")
IONS = ("N2+", "O2+", "Ar II", "CO2+", "CO+", "He II", "Kr II", "Ne II")
SAME_LIGHT = 0.12  # relative change of every strong channel within which a plasma burns again as before
LIT = 0.05  # of the light after a change: what was there before was no plasma
MISFIT = 0.25  # of the strongest rise of another species: less may be the misfit of its bands, as of CH at 436 nm
STEADY = 0.08  # relative change of a process gas below which it counts as unchanged
MINOR = 0.25  # part of the light below which a gas that comes or goes does not make another plasma
COMING = 1.4  # factor by which a gas that comes in smoothly has risen within some six frames
CHANGED = 0.03  # part of the light a process gas has to have to be looked at
RATIOS_WENT_ON = "ratios did not"  # of words on a step of all light after which the decay goes on as before
LIT_AGAIN = "plasma lit again, as before"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What changed.

    Attributes
    ----------
    why : str
        In plain words; empty if only some contaminants stepped.
    cut : bool
        True if ratios before and after cannot be compared.
    gases : bool
        True if the process gas is another, so that the reference has to be chosen anew.
    kind : str
        Kind of the alarm.
    steps : bool
        True unless the ratios went on as before.
    factor : float
        By which all light changed alike; NaN for other changes.
    """

    why: str
    cut: bool
    gases: bool = False
    kind: str = "conditions changed"
    steps: bool = True
    factor: float = float("nan")


def name_change(names: tuple[str, ...], before: Floats, after: Floats, noise: Floats) -> Change:
    """Name what began new conditions.

    Parameters
    ----------
    names : tuple of str, length s
        Species.
    before, after, noise : ndarray of shape (s + 2,)
        Levels per channel (species, total light, continuum) and the scatter of one frame.

    Returns
    -------
    Change
    """
    s = len(names)
    total = float(before[s])
    if not total > LIT * float(after[s]):  # not a number, too
        return Change(why="plasma lit", cut=True, gases=True, kind="plasma lit")
    scale = float(after[s]) / total
    main, factors = _process(names, before, after)
    come = [i for i, f in zip(main, factors, strict=True) if f > 2.0 * max(scale, 1.0)]
    gone = [i for i, f in zip(main, factors, strict=True) if f < min(scale, 1.0) / 3.0]
    if come or gone:
        return _gases(names, before, after, come, gone, factors[[i not in (*come, *gone) for i in main]])
    if len(factors) == 0 or np.all(np.abs(factors - 1) < STEADY):
        return _steady(names, before, after, noise, bool(len(factors)))
    if factors.max() > 1.4 * max(float(factors.min()), 1e-9):
        ions = any(names[i] in IONS for i in main)
        what = "pressure, polarity, magnet or power" if ions else "pressure or power"
        return Change(why=f"line pattern changed ({what}); all light stepped by a factor {scale:.2g}", cut=True)
    why = f"all light stepped by a factor {scale:.2g} (power, pressure, or what the fibre sees)"
    return Change(why=why, cut=True, factor=scale)


def name_slow(names: tuple[str, ...], before: Floats, after: Floats) -> Change:
    """Name a gas that came in smoothly while the others stayed; parameters as in `name_change`.

    Returns
    -------
    Change
        One that cuts nothing; whatever else changes smoothly is no other condition, and `why` is empty.
    """
    main, factors = _process(names, before, after)
    come = [i for i, f in zip(main, factors, strict=True) if f > COMING]
    if come:
        change = _gases(names, before, after, come, [], factors[[i not in come for i in main]])
        if not change.cut:
            return change
    return Change(why="", cut=False)


def _process(names: tuple[str, ...], before: Floats, after: Floats) -> tuple[list[int], Floats]:
    """Return the process gases that give light before or after, and the factors by which they changed."""
    floor = CHANGED * max(float(before[len(names)]), float(after[len(names)]))
    main = [i for i, n in enumerate(names) if n in PROCESS and max(before[i], after[i]) > floor]
    with np.errstate(divide="ignore", invalid="ignore"):
        return main, np.array([after[i] / before[i] if before[i] > 0 else np.inf for i in main])


def _gases(
    names: tuple[str, ...], before: Floats, after: Floats, come: list[int], gone: list[int], rest: Floats
) -> Change:
    words = [f"{', '.join(names[i] for i in come)} came" if come else ""]
    words.append(f"{', '.join(names[i] for i in gone)} went" if gone else "")
    said = " and ".join(w for w in words if w)
    s = len(names)
    minor = all(after[i] < MINOR * after[s] for i in come) and all(before[i] < MINOR * before[s] for i in gone)
    if minor and len(rest) and np.all(np.abs(rest - 1) < STEADY):
        air = any(names[i] in ("N2", "N2+") for i in come)
        why = f"{said} while the other gases stayed"
        return Change(
            why=f"{why}: air leak, or nitrogen let in" if air else why,
            cut=False,
            kind="possible air leak" if air else "conditions changed",
        )
    return Change(why=f"gas changed: {said}", cut=True, gases=True)


def _steady(names: tuple[str, ...], before: Floats, after: Floats, noise: Floats, known: bool) -> Change:
    """The process gases stayed: light was added or taken away, or contaminants alone stepped."""
    s = len(names)
    lamp = False
    if "Hg I" in names:
        i = names.index("Hg I")
        rise = after[:s] - before[:s]
        least = max(8 * noise[i], 1e-12, MISFIT * float(np.max(np.delete(rise, i), initial=0.0)))
        lamp = bool(rise[i] > least and after[i] > 2 * max(before[i], 0.0))
    step = float(after[s + 1] - before[s + 1]) / float(before[s])
    if lamp:
        return Change(why="lamp or room light on (mercury lines)", cut=False, kind="lamp or room light")
    if known and step > 0.05:
        why = "steady light added (lamp, room light or a hot surface)"
        return Change(why=why, cut=False, kind="lamp or room light")
    if known and step < -0.05:
        return Change(why="steady light taken away", cut=False, kind="lamp or room light")
    if not known and abs(float(after[s]) / float(before[s]) - 1) > STEADY:
        return Change(why=f"all light stepped by a factor {float(after[s]) / float(before[s]):.2g}", cut=True)
    return Change(why="", cut=False)


def same_light(names: tuple[str, ...], before: Floats, after: Floats, leave_out: tuple[str, ...]) -> bool:
    """Say whether every strong channel is as bright as before, the contaminants and the continuum left out."""
    strong = before > 0.05 * before[-2]
    strong[-1] = False
    for name in leave_out:
        if name in names:
            strong[names.index(name)] = False
    return bool(np.all(np.abs(after[strong] / before[strong] - 1) < SAME_LIGHT))
