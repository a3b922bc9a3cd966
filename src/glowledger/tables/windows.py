"""Transmission of viewport materials over wavelength and thickness."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.errors import TableError
from glowledger.tables.folder import read_table

UNKNOWN = "unknown"
# Scatter between pieces of one material is taken as at least this; measure your own window for better.
LEAST_ERROR = 0.01
OTHER_NAMES = {
    "pmma": "acrylic",
    "acrylic glass": "acrylic",
    "plexiglas": "acrylic",
    "plexiglass": "acrylic",
    "perspex": "acrylic",
    "uvt acrylic": "uv-transmitting acrylic",
    "uv acrylic": "uv-transmitting acrylic",
    "quartz": "fused silica",
    "silica": "fused silica",
    "pc": "polycarbonate",
    "float glass": "soda-lime",
    "soda-lime glass": "soda-lime",
    "window glass": "soda-lime",
    "borosilicate glass": "borosilicate",
    "pyrex": "borosilicate",
    "": UNKNOWN,
}
WHICH_GLASS = (
    "Say borosilicate (most viewports and bell jars; 3 mm pass half the light at 305 nm) or soda-lime (window panes; "
    "half at 330 nm). Leave it out if you do not know."
)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class WindowMaterial:
    """What is known of one material.

    Attributes
    ----------
    name : str
        As in `window_names`.
    reference_mm : float
        Thickness that `internal` holds for.
    wavelength_nm, internal, internal_error : ndarray of shape (k,)
        Internal transmittance (without reflection) and its standard error over wavelength, nm in air.
    model : str
        'sellmeier' or 'cauchy'.
    coefficients : ndarray
        Of the refractive index, see ``line_tables/FORMAT.md``.
    sources : tuple of str
        Of the transmittance and of the index.
    """

    name: str
    reference_mm: float
    wavelength_nm: NDArray[np.float64]
    internal: NDArray[np.float64]
    internal_error: NDArray[np.float64]
    model: str
    coefficients: NDArray[np.float64]
    sources: tuple[str, str]


@cache
def _materials() -> dict[str, WindowMaterial]:
    _, nodes = read_table("windows.csv")
    _, indices = read_table("window_indices.csv")
    names = np.array(nodes["material"])
    found = {}
    try:
        for i, name in enumerate(indices["material"]):
            rows = np.flatnonzero(names == name)
            found[name] = WindowMaterial(
                name=name,
                reference_mm=float(nodes["reference_mm"][rows[0]]),
                wavelength_nm=np.array(nodes["wavelength_nm"], dtype=np.float64)[rows],
                internal=np.array(nodes["internal_transmittance"], dtype=np.float64)[rows],
                internal_error=np.array(nodes["standard_error"], dtype=np.float64)[rows],
                model=indices["model"][i],
                coefficients=np.array([float(c) for c in (indices[f"c{k}"][i] for k in range(1, 7)) if c]),
                sources=(nodes["source"][rows[0]], indices["source"][i]),
            )
    except (KeyError, ValueError, IndexError) as error:
        raise TableError(
            f"the window tables are damaged ({error}).", mend="Install glowledger again."
        ) from error
    return found


def window_names() -> tuple[str, ...]:
    """Return the materials `transmission` takes, 'unknown' last."""
    return (*sorted(_materials()), UNKNOWN)


def window_material(name: str) -> WindowMaterial:
    """Return what is known of a material.

    Parameters
    ----------
    name : str
        A name of `window_names` but 'unknown'; 'quartz', 'pmma' and the like are understood.

    Raises
    ------
    TableError
        If there is no such material; the mend names those there are.
    """
    squeezed = _known_name(name)
    if squeezed in _materials():
        return _materials()[squeezed]
    if squeezed == "glass":
        raise TableError("'glass' may be one of several.", mend=WHICH_GLASS)
    near = difflib.get_close_matches(squeezed, [*_materials(), *OTHER_NAMES], n=2, cutoff=0.5)
    mend = f"Did you mean {' or '.join(map(repr, near))}? " if near else ""
    known = [*window_names(), *(other for other in OTHER_NAMES if other)]
    raise TableError(f"no window material is called '{name}'.", mend=f"{mend}Known: {', '.join(known)}.")


def _known_name(name: str) -> str:
    squeezed = " ".join(name.replace("_", " ").casefold().split())
    return OTHER_NAMES.get(squeezed, squeezed)


def refractive_index(material: str, nm: ArrayLike) -> NDArray[np.float64]:
    """Return the refractive index at wavelengths in nm, same shape.

    Notes
    -----
    Fused silica: Malitson, J. Opt. Soc. Am. 55, 1205 (1965); sapphire, ordinary ray: Malitson & Dodge
    1972; the others two-term Cauchy formulae. Sources per material in ``line_tables/window_indices.csv``.
    """
    row = window_material(material)
    x2 = (np.asarray(nm, dtype=np.float64) * 1e-3) ** 2
    c = row.coefficients
    if row.model == "cauchy":
        return np.asarray(c[0] + c[1] / x2)
    return np.asarray(np.sqrt(1 + sum(b * x2 / (x2 - p**2) for b, p in zip(c[:3], c[3:], strict=True))))


def transmission(
    material: str, thickness_mm: float, nm: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the share of light that a plane window passes at normal incidence.

    Parameters
    ----------
    material : str
        A name of `window_names`. For 'unknown' the value is 1 and the error 0: light is left as it came,
        and nothing may be concluded from what is missing in the ultraviolet (see `window_note`).
    thickness_mm : float
        Thickness in mm, above 0.
    nm : array_like
        Wavelengths, nm in air; beyond 190 to 1100 nm the outermost values hold.

    Returns
    -------
    value, standard_error : ndarray, same shape as `nm`
        Of the transmittance with both reflecting faces; the error is that of an unmeasured piece of the
        material. Where the error is not well below the value, a line there cannot be corrected.

    Raises
    ------
    TableError
        If the material is unknown to the table or the thickness is not positive.

    Notes
    -----
    Internal transmittance scales as tau(d) = tau(d0)^(d/d0) (Bouguer); the faces reflect R = ((n-1)/(n+1))²
    each, and all orders between them add up to T = tau (1-R)²/(1-R² tau²).
    """
    wavelengths = np.asarray(nm, dtype=np.float64)
    if not thickness_mm > 0:
        raise TableError(f"the window is {thickness_mm} mm thick.", mend="Give its thickness in mm, above 0.")
    if _known_name(material) == UNKNOWN:
        return np.ones_like(wavelengths), np.zeros_like(wavelengths)
    row = window_material(material)
    power = thickness_mm / row.reference_mm
    tau0 = np.interp(wavelengths, row.wavelength_nm, row.internal)
    error0 = np.interp(wavelengths, row.wavelength_nm, row.internal_error)
    tau = tau0**power
    # Half the spread between one error up and down: holds where the derivative of a power does not.
    high, low = np.minimum(tau0 + error0, 1.0) ** power, np.maximum(tau0 - error0, 0.0) ** power
    index = refractive_index(material, wavelengths)
    reflection = ((index - 1) / (index + 1)) ** 2
    value = tau * (1 - reflection) ** 2 / (1 - (reflection * tau) ** 2)
    error = (high - low) / 2 * (1 - reflection) ** 2
    return value, np.hypot(error, LEAST_ERROR * value)


def window_note(material: str) -> str:
    """Return one sentence on what the window does to the answers, for reports."""
    if _known_name(material) == UNKNOWN:
        return (
            "Window not stated: nothing is corrected for it, and a missing band below 400 nm may be blocked "
            "by the window rather than absent."
        )
    row = window_material(material)
    blocked = row.wavelength_nm[row.internal < 0.05]
    if not len(blocked):
        return f"A window of {row.name} passes light over the whole range; its table: {row.sources[0]}."
    return (
        f"A window of {row.name} passes almost nothing below {blocked[-1]:.0f} nm "
        f"({row.reference_mm:g} mm): species seen only there cannot be told. Table: {row.sources[0]}."
    )
