"""What the latest frame shows, as plain numbers for a screen: spectrum and fit, features, glow colour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glowledger.bench.model import Bench
from glowledger.diagnose.colour import GlowColour, recorded_colour, true_colour
from glowledger.errors import GlowledgerError
from glowledger.glow.series import SeriesModel
from glowledger.live.measuring import LiveRun
from glowledger.spectra.frames import Frames

MOST_POINTS = 4000  # of a curve; neighbouring pixels are averaged beyond
MOST_FEATURES = 60  # told of, brightest first; how many are labelled is a matter of the screen
COLOUR_FRAMES = 10  # averaged for the colour
AS_RECORDED = (
    "The response of this spectrometer is not known: this is the colour of the light as recorded, not as an eye sees "
    "it. 'glowledger response' measures it."
)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Seen:
    """The latest frame in nm.

    Attributes
    ----------
    axis : ndarray of shape (p,)
        nm in air, or pixels.
    counts, fit : ndarray of shape (p,)
        NaN where masked; `fit` is NaN before anything was learned.
    axis_kind : str
        As of `Frames`.
    """

    axis: NDArray[np.float64]
    counts: NDArray[np.float64]
    fit: NDArray[np.float64]
    axis_kind: str


def seen(run: LiveRun, frame: Frames) -> Seen:
    """Return what one frame as read shows by the run's measurement.

    Raises
    ------
    GlowledgerError
        If it cannot be prepared, e.g. has pixels and no bench.
    """
    prepared = run.preparation.prepare(frame)
    fit = np.full(prepared.axis.shape, np.nan) if run.model is None else run.model.light(prepared)[0]
    counts = np.where(prepared.mask[0], np.nan, prepared.counts[0])
    return Seen(axis=prepared.axis, counts=counts, fit=fit, axis_kind=prepared.axis_kind)


def curves(shown: Seen) -> dict[str, object]:
    """Return spectrum and fit as lists, rounded to what a screen shows; None where there is no value."""
    step = -(-shown.axis.size // MOST_POINTS)
    bright = float(np.nanmax(np.abs(shown.counts), initial=1.0))
    digits = int(max(0, 4 - np.floor(np.log10(bright)))) if bright > 0 else 0
    return {
        "counts": _listed(_joined(shown.counts, step), digits),
        "fit": _listed(_joined(shown.fit, step), digits) if np.isfinite(shown.fit).any() else [],
    }


def axis_of(shown: Seen) -> dict[str, object]:
    """Return the axis that belongs to `curves`, and its kind."""
    step = -(-shown.axis.size // MOST_POINTS)
    return {"axis": _listed(_joined(shown.axis, step), 3), "axis_kind": shown.axis_kind}


def _joined(values: NDArray[np.float64], step: int) -> NDArray[np.float64]:
    if step == 1:
        return values
    whole = values[: values.size // step * step]
    return np.asarray(whole.reshape(-1, step).mean(axis=1))


def _listed(values: NDArray[np.float64], digits: int) -> list[float | None]:
    rounded = np.round(values, digits)
    return [None if bad else value for value, bad in zip(rounded.tolist(), np.isnan(rounded).tolist(), strict=True)]


def features_of(model: SeriesModel) -> list[dict[str, object]]:
    """Return the features of the species found in the frames learned from, brightest first."""
    found = [
        {"label": f.label, "species": s.name, "wavelength_nm": f.wavelength_nm, "counts": f.counts,
         "sure": s.verdict == "present"}
        for s in model.identified.fit.species if s.verdict in ("present", "possible") for f in s.features
    ]  # fmt: skip
    return sorted(found, key=lambda f: -float(str(f["counts"])))[:MOST_FEATURES]


def colour_of(axis: NDArray[np.float64], counts: NDArray[np.float64], bench: Bench | None) -> dict[str, object]:
    """Return the colour of the mean of the latest frames, or why it cannot be told.

    Parameters
    ----------
    axis : ndarray of shape (p,)
        nm in air.
    counts : ndarray of shape (p,)
        NaN where masked.
    bench : Bench, optional
        With its response, where measured.
    """
    response = None if bench is None else bench.response
    per = "nm" if bench is None or bench.solution is None else "pixel"
    try:
        if response is None:
            colour: GlowColour = recorded_colour(axis, counts, per=per)  # type: ignore[arg-type]
        else:
            colour = true_colour(axis, counts, response, per=per)  # type: ignore[arg-type]
    except GlowledgerError as error:
        return {"srgb": None, "text": error.problem, "cautions": []}
    cautions = [*((AS_RECORDED,) if response is None else ()), *colour.cautions]
    return {"srgb": colour.srgb, "text": colour.description, "told": colour.told, "cautions": cautions}
