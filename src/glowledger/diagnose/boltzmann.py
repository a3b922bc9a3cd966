"""Excitation temperature from a Boltzmann plot, and why it is not the electron temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glowledger.bench.model import Response
from glowledger.diagnose.state import SEEN, StateReading, emitter_rows, untold
from glowledger.glow.results import Fit
from glowledger.tables import atoms

K_EV = 8.617333262e-5  # Boltzmann constant, eV/K (CODATA 2018, exact)
ARGON_4P_EV = (12.90, 13.50)  # the ten 4p levels, 2p10 to 2p1 in Paschen notation
METASTABLE_EV = 13.076  # 2p9, whose one line, 811.5 nm, ends on the metastable 1s5
APART = 3.0  # standard errors from the line through the other levels
NAME = "Ar 4p excitation temperature"
SOURCES = (
    "Boltzmann plot: Griem, Principles of Plasma Spectroscopy (1997), from memory",
    "corona balance and its limit: McWhirter, in Plasma Diagnostic Techniques, ed. Huddlestone & Leonard "
    "(1965), from memory",
)
NOT_TE = (
    "It says how the light is shared among levels between 12.9 and 13.5 eV. It is not the electron "
    "temperature: in a low-pressure glow each level is fed by its own electron impact, by metastable atoms "
    "and by cascades, and empties by radiation before electrons can bring it into balance."
)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BoltzmannPlot:
    """A straight line through ln(I λ / g A) against upper energy.

    Attributes
    ----------
    kelvin, standard_error_k : float
        Excitation temperature and its standard error; NaN if the slope is not negative.
    interval_k : tuple of float
        95 % interval from the interval of the slope; infinite above where that reaches zero.
    upper_ev, ordinate, ordinate_se : ndarray of shape (m,)
        The points.
    residual : ndarray of shape (m,)
        Each point's distance from the line through the others, in its standard errors.
    chi2_reduced : float
        Above 1, the levels do not lie on a line and the interval has been widened.
    """

    kelvin: float
    standard_error_k: float
    interval_k: tuple[float, float]
    upper_ev: NDArray[np.float64]
    ordinate: NDArray[np.float64]
    ordinate_se: NDArray[np.float64]
    residual: NDArray[np.float64]
    chi2_reduced: float


def boltzmann_plot(
    intensity: ArrayLike,
    standard_error: ArrayLike,
    wavelength_nm: ArrayLike,
    ga_ki: ArrayLike,
    upper_ev: ArrayLike,
    *,
    units: Literal["power", "photons"] = "power",
    ga_relative_error: ArrayLike = 0.0,
) -> BoltzmannPlot:
    """Fit an excitation temperature to lines of one species.

    Parameters
    ----------
    intensity, standard_error : array_like of shape (m,)
        Response-corrected line intensities; only positive ones.
    wavelength_nm : array_like of shape (m,)
        nm.
    ga_ki : array_like of shape (m,)
        g_upper A_ki, s^-1.
    upper_ev : array_like of shape (m,)
        Upper energies, eV.
    units : {'power', 'photons'}
        I ∝ (g A / λ) exp(-E / kT) in units of power; without the 1/λ in photons.
    ga_relative_error : array_like
        Relative standard errors of `ga_ki`.

    Returns
    -------
    BoltzmannPlot

    Raises
    ------
    ValueError
        If fewer than three lines or no spread of energies is given.
    """
    intensity = np.asarray(intensity, dtype=float)
    energy = np.asarray(upper_ev, dtype=float)
    if intensity.size < 3 or np.ptp(energy) <= 0:
        raise ValueError("a Boltzmann plot with an interval needs three lines of different energies")
    per_rate = intensity / np.asarray(ga_ki, dtype=float)
    y = np.log(per_rate * np.asarray(wavelength_nm, dtype=float) if units == "power" else per_rate)
    se = np.hypot(np.asarray(standard_error, dtype=float) / intensity, ga_relative_error)
    slope, slope_se, fitted, leverage = _weighted_line(energy, y, se)
    freedom = intensity.size - 2
    chi2_reduced = float(np.sum(((y - fitted) / se) ** 2) / freedom)
    reach = 1.959964 * slope_se
    if chi2_reduced > 1:  # the scatter of levels, not the noise, is the error: Student's t for it
        from scipy.special import stdtrit

        slope_se = slope_se * np.sqrt(chi2_reduced)
        reach = max(reach, float(stdtrit(freedom, 0.975)) * slope_se)
    kelvin = _kelvin(slope) if slope < 0 else float("nan")
    return BoltzmannPlot(
        kelvin=kelvin,
        standard_error_k=kelvin**2 * K_EV * slope_se,
        interval_k=(_kelvin(slope - reach), _kelvin(slope + reach)),
        upper_ev=energy,
        ordinate=y,
        ordinate_se=se,
        residual=(y - fitted) / (se * np.sqrt(np.maximum(1 - leverage, 1e-6))),
        chi2_reduced=chi2_reduced,
    )


def _weighted_line(
    x: NDArray[np.float64], y: NDArray[np.float64], se: NDArray[np.float64]
) -> tuple[float, float, NDArray[np.float64], NDArray[np.float64]]:
    """Return slope, its standard error, fitted values and leverages of a weighted straight line."""
    weight = 1 / se**2
    centre = np.sum(weight * x) / weight.sum()
    spread = np.sum(weight * (x - centre) ** 2)
    slope = float(np.sum(weight * (x - centre) * y) / spread)
    middle = np.sum(weight * y) / weight.sum()
    leverage = weight / weight.sum() + weight * (x - centre) ** 2 / spread
    return slope, float(1 / np.sqrt(spread)), middle + slope * (x - centre), leverage


def _kelvin(slope: float) -> float:
    """Return T of a slope in 1/eV; infinite where the slope is zero or rising."""
    return -1 / (K_EV * slope) if slope < 0 else float("inf")


def mcwhirter_density(kelvin: float, gap_ev: float) -> float:
    """Return the least electron density, m^-3, at which collisions can keep levels in balance.

    Parameters
    ----------
    kelvin : float
        Electron temperature.
    gap_ev : float
        Largest energy gap to be bridged.

    Notes
    -----
    n_e ≥ 1.6e12 √T ΔE³ cm^-3 (McWhirter 1965, from memory): necessary, not sufficient.
    """
    return 1.6e18 * np.sqrt(kelvin) * gap_ev**3


def argon_excitation(fit: Fit, response: Response | None) -> StateReading:
    """Read the excitation temperature of the Ar 4p levels from a fit.

    Parameters
    ----------
    fit : Fit
        With one emitter per upper level of ``Ar I``.
    response : Response or None
        The relative response; without it the levels (lines from 697 to 965 nm) cannot be compared.

    Returns
    -------
    StateReading
        In K; 'cannot tell' with the reason where levels, response or slope do not allow it.
    """
    if response is None:
        return untold(
            NAME, "K",
            "Cannot tell: the lines lie between 697 and 965 nm, where detectors differ by factors, and no "
            "response of this spectrometer is known. Record a lamp of known colour temperature.",
            sources=SOURCES,
        )  # fmt: skip
    points = _argon_levels(fit, response)
    if len(points) < 3:
        return untold(
            NAME, "K",
            f"Cannot tell: {len(points)} of the ten Ar 4p levels stand out of the noise; it takes three.",
            sources=SOURCES,
        )  # fmt: skip
    plot, metastable = _plot_without_outlying_metastable(np.array(points))
    low, high = plot.interval_k
    if not np.isfinite(high):
        return untold(
            NAME, "K",
            f"Cannot tell: the levels span {np.ptp(plot.upper_ev):.2f} eV only, too little for a slope at "
            f"this noise; above {low:.0f} K with 97.5 % confidence.",
            interval=(low, high), cautions=(NOT_TE, *metastable), sources=SOURCES,
        )  # fmt: skip
    return StateReading(
        name=NAME,
        value=plot.kelvin,
        standard_error=plot.standard_error_k,
        interval=plot.interval_k,
        unit="K",
        told=True,
        reason=f"Excitation, not in local thermal equilibrium: {NOT_TE}",
        cautions=(*metastable, *_argon_cautions(plot)),
        sources=SOURCES,
    )


def _plot_without_outlying_metastable(points: NDArray[np.float64]) -> tuple[BoltzmannPlot, tuple[str, ...]]:
    """Fit the line; leave out the level of 811.5 nm where it stands apart, and say so."""
    plot = boltzmann_plot(points[:, 0], points[:, 1], 1.0, 1.0, points[:, 2], units="photons")
    level = np.flatnonzero(np.abs(points[:, 2] - METASTABLE_EV) < 0.004)
    if not level.size or len(points) < 4 or abs(plot.residual[level[0]]) < APART:
        return plot, ()
    why = (
        "below the line, so light that ends on metastable atoms is being re-absorbed (self-absorption), and "
        "other such lines (763.5, 772.4, 801.5 nm) may read too low as well"
        if plot.residual[level[0]] < 0
        else "above the line, so it is fed from metastable atoms as well as from the ground state"
    )
    rest = np.delete(points, level, axis=0)
    again = boltzmann_plot(rest[:, 0], rest[:, 1], 1.0, 1.0, rest[:, 2], units="photons")
    return again, (f"The level of 811.5 nm was left out: it lies {why}.",)


def _argon_levels(fit: Fit, response: Response) -> list[tuple[float, float, float]]:
    """Return population over weight, its standard error, and energy of each 4p level that is seen."""
    lines = atoms.load().select("Ar I", (fit.axis_nm[0], fit.axis_nm[-1]))
    lines = lines[np.isfinite(lines.ga_ki) & (lines.ga_ki > 0)]
    energy = lines.upper_ev()
    found = []
    for row in emitter_rows(fit, r"Ar I \d+\.\d+ eV$"):
        stated = float(fit.emitter_labels[row].split()[2])
        here = np.abs(energy - stated) <= 0.0051  # labels carry two decimals
        counts, se = fit.amplitude[row], np.sqrt(fit.covariance[row, row])
        if not (ARGON_4P_EV[0] < stated < ARGON_4P_EV[1]) or not here.any() or counts <= SEEN * se:
            continue
        rate = np.sum(lines.ga_ki[here] * response.at(lines.wavelength_nm[here]))
        strongest = np.argmax(lines.ga_ki[here])
        response_error = np.interp(lines.wavelength_nm[here][strongest], response.at_nm, response.relative_error)
        relative = np.sqrt((se / counts) ** 2 + lines.a_relative_error()[here][strongest] ** 2 + response_error**2)
        found.append((counts / rate, counts / rate * relative, float(energy[here][0])))
    return found


def _argon_cautions(plot: BoltzmannPlot) -> tuple[str, ...]:
    """Say how far from balance a glow is, and what the scatter of levels tells."""
    needed = mcwhirter_density(plot.kelvin, 11.5) / 1e6
    said = [
        f"Balance would need more than {needed:.0e} electrons per cm³; a glow has about 1e9 to 1e11.",
    ]
    if plot.chi2_reduced > 2:
        said.append(
            "The levels do not lie on one line beyond their errors (reduced chi-square "
            f"{plot.chi2_reduced:.1f}): there is no single temperature; the interval is widened for it."
        )
    return tuple(said)
