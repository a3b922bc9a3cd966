"""To and from astropy and specutils, with units, uncertainties and masks."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import ReadError
from glowledger.spectra.axes import to_standard
from glowledger.spectra.column_names import role_of
from glowledger.spectra.frames import AxisKind, Detector, Frames, Origin
from glowledger.spectra.noise import variance
from glowledger.spectra.options import ReadingOptions
from glowledger.spectra.other_formats import finished

_MEDIUM = "wavelength medium"
_DETECTOR = ("ceiling_counts", "counts_per_electron", "read_noise_counts", "offset_counts")


def to_specutils(frames: Frames) -> Any:
    """Return frames as specutils objects.

    Parameters
    ----------
    frames : Frames
        n frames of p points.

    Returns
    -------
    specutils.Spectrum or specutils.SpectrumCollection
        A spectrum for one frame; a collection for several; for several on a pixel axis, which a collection
        cannot have, one spectrum with flux of shape (n, p). Flux in counts, axis in nm (air) or pixel,
        uncertainty as variance, mask as in `frames`. `meta` holds times, exposure and averages.
    """
    return to_spectrum(frames) if len(frames) == 1 or frames.axis_kind == "pixel" else to_collection(frames)


def to_spectrum(frames: Frames) -> Any:
    """Return frames as one `specutils.Spectrum`: flux of shape (p,) for one frame, (n, p) for several."""
    import astropy.units as u
    from astropy.nddata import VarianceUncertainty
    from specutils import Spectrum

    rows: Any = 0 if len(frames) == 1 else slice(None)
    return Spectrum(
        flux=frames.counts[rows] * u.ct,
        spectral_axis=frames.axis * (u.nm if frames.axis_kind == "nm_air" else u.pix),
        uncertainty=VarianceUncertainty(variance(frames)[rows]),
        mask=frames.mask[rows].copy(),
        meta=_meta(frames),
    )


def to_collection(frames: Frames) -> Any:
    """Return frames as a `specutils.SpectrumCollection`; ReadError for a pixel axis, which it cannot have."""
    import astropy.units as u
    from astropy.nddata import VarianceUncertainty
    from specutils import SpectrumCollection

    if frames.axis_kind == "pixel":
        raise ReadError(
            "a SpectrumCollection cannot have a pixel axis.",
            mend="Give the bench.toml of the spectrometer, or read a Spectrum or SpectrumList.",
            file=frames.origins[0].file if frames.origins else None,
        )
    return SpectrumCollection(
        flux=frames.counts * u.ct,
        spectral_axis=np.tile(frames.axis, (len(frames), 1)) * u.nm,
        uncertainty=VarianceUncertainty(variance(frames)),
        mask=frames.mask.copy(),
        meta=_meta(frames),
    )


def from_specutils(spectrum: Any, *, medium: str | None = None) -> Frames:
    """Take over a specutils object.

    Parameters
    ----------
    spectrum : specutils.Spectrum or specutils.SpectrumCollection
        One spectrum, several on one axis, or a collection whose axes agree.
    medium : {'air', 'vacuum'}, optional
        Of wavelengths; left out: as `meta` states, else air. Wavenumber, energy and frequency are in vacuum.

    Returns
    -------
    Frames
        Axis in pixel or nm (air); the uncertainty becomes `known_variance`.

    Raises
    ------
    ReadError
        If the axes of a collection differ, or the flux has more than two dimensions.
    """
    axis = spectrum.spectral_axis
    flux = np.asarray(spectrum.flux.value, dtype=np.float64)
    if flux.ndim > 2:
        raise ReadError(
            f"the flux has {flux.ndim} dimensions, expected one or two.",
            mend="Flatten it to (frames, points).",
        )
    if axis.ndim == 2:
        if np.any(axis != axis[0]):
            raise ReadError(
                "the axes of the collection differ.", mend="Resample the spectra to one axis first."
            )
        axis = axis[0]
    meta = dict(spectrum.meta) if isinstance(spectrum.meta, dict) else {}
    mask = None if spectrum.mask is None else np.atleast_2d(np.asarray(spectrum.mask, dtype=bool))
    spread = None if spectrum.uncertainty is None else np.atleast_2d(_as_variance(spectrum.uncertainty))
    return from_quantities(
        axis, flux, variance=spread, mask=mask, medium=medium or meta.get(_MEDIUM), meta=meta
    )


def from_quantities(
    axis: Any,
    counts: Any,
    *,
    variance: NDArray[np.float64] | None = None,
    mask: NDArray[np.bool_] | None = None,
    medium: str | None = None,
    meta: dict[str, Any] | None = None,
) -> Frames:
    """Build Frames from astropy quantities or plain arrays.

    Parameters
    ----------
    axis : Quantity or ndarray of shape (p,)
        In any spectral unit or pixel; a plain array is nm. Rising or falling.
    counts : Quantity or ndarray of shape (p,) or (n, p)
        Counts; the unit is not converted.
    variance : ndarray of shape (n, p), optional
        Of the counts.
    mask : ndarray of bool, shape (n, p), optional
        True where not to be used.
    medium : {'air', 'vacuum'}, optional
        Of wavelengths; air where left out.
    meta : dict, optional
        Times, exposure and averages as `to_specutils` writes them.

    Returns
    -------
    Frames
        n frames, axis in pixel or nm (air), rising.

    Raises
    ------
    ReadError
        If the axis has a unit that is none of light, or does not rise or fall throughout.
    """
    meta = meta or {}
    values, kind = _standard_axis(axis, medium)
    rows = np.atleast_2d(np.asarray(getattr(counts, "value", counts), dtype=np.float64))
    n = len(rows)
    masked = ~np.isfinite(rows) if mask is None else np.asarray(mask, dtype=bool) | ~np.isfinite(rows)
    turned = _rising(values)
    rows, masked = rows[:, turned], masked[:, turned]
    return Frames(
        axis=values[turned].copy(),
        axis_kind=kind,
        counts=np.where(masked, 0.0, rows),
        mask=masked,
        time_s=_per_frame(meta, "time_s", n, float("nan")),
        exposure_s=_per_frame(meta, "exposure_s", n, float("nan")),
        averages=_per_frame(meta, "averages", n, 1.0),
        detector=Detector(**{name: float(meta[name]) for name in _DETECTOR if name in meta}),
        origins=tuple(Origin() for _ in range(n)),
        started_at=meta.get("started_at"),
        known_variance=None if variance is None else variance[:, turned],
    )


def _rising(values: NDArray[np.float64]) -> slice:
    """Return the slice that puts an axis in rising order."""
    turned = slice(None, None, -1) if values.size > 1 and values[0] > values[-1] else slice(None)
    if not np.all(np.diff(values[turned]) > 0):
        raise ReadError(
            "the axis neither rises nor falls throughout.", mend="Sort the spectrum and drop repeated points."
        )
    return turned


def write_table(path: Path, frames: Frames, kind: str) -> None:
    """Write frames with astropy.

    Parameters
    ----------
    path : Path
        Target, overwritten; `writing.write_spectra` takes care that it appears whole.
    frames : Frames
        n frames of p points.
    kind : {'ecsv', 'fits'}
        ECSV has a column per frame. FITS has one table: axis, and `flux` and `uncertainty` (standard
        deviation) with n values per row where n is above 1, and `mask`.
    """
    import astropy.units as u
    from astropy.table import QTable

    name, unit = ("wavelength", u.nm) if frames.axis_kind == "nm_air" else ("pixel", u.pix)
    deviation = np.sqrt(variance(frames))
    table = QTable(meta=_meta(frames))
    table[name] = frames.axis * unit
    if kind == "ecsv":
        for i in range(len(frames)):
            label = "" if len(frames) == 1 else f"_{i + 1}"
            table[f"flux{label}"] = frames.counts[i] * u.ct
            table[f"uncertainty{label}"] = deviation[i] * u.ct
            table[f"mask{label}"] = frames.mask[i]
        # another library may have set numpy to its old way of printing, which drops digits
        with np.printoptions(legacy=False):
            table.write(path, format="ascii.ecsv", overwrite=True, delimiter=",")
        return
    one = len(frames) == 1
    table["flux"] = (frames.counts[0] if one else frames.counts.T) * u.ct
    table["uncertainty"] = (deviation[0] if one else deviation.T) * u.ct
    table["mask"] = frames.mask[0] if one else frames.mask.T
    _write_fits(path, table)


def _write_fits(path: Path, table: Any) -> None:
    from astropy.io import fits
    from astropy.table import QTable

    meta = dict(table.meta)
    per_frame = QTable({key: np.atleast_1d(meta.pop(key)) for key in ("time_s", "exposure_s", "averages")})
    table.meta.clear()
    spectra = fits.table_to_hdu(table)
    spectra.header["EXTNAME"] = "SPECTRA"
    for key, value in meta.items():
        if value is not None:
            spectra.header[f"HIERARCH {key}"] = value
    frames_hdu = fits.table_to_hdu(per_frame)
    frames_hdu.header["EXTNAME"] = "FRAMES"
    fits.HDUList([fits.PrimaryHDU(), spectra, frames_hdu]).writeto(path, overwrite=True)


def read_table(path: Path, options: ReadingOptions) -> Frames:
    """Read an ECSV or FITS file with astropy, or with specutils where it is no table.

    Raises
    ------
    ReadError
        If it holds no spectrum.
    """
    try:
        with _quiet():
            frames = _read_ecsv(path) if path.read_bytes()[:7] == b"# %ECSV" else _read_fits(path)
    except ReadError as error:
        raise ReadError(error.problem, mend=error.mend, file=path) from None
    except Exception as error:  # astropy raises whatever its parsers raise
        reason = str(error).strip().split("\n")[0][:200]
        raise ReadError(
            f"astropy cannot read this file ({reason}).", mend="Export the spectrum as CSV.", file=path
        ) from None
    return finished(frames, path, options, "astropy")


def _read_ecsv(path: Path) -> Frames:
    from astropy.table import QTable

    table = QTable.read(path, format="ascii.ecsv")
    return _from_table(table, dict(table.meta))


def _read_fits(path: Path) -> Frames:
    from astropy.io import fits
    from astropy.table import QTable

    with fits.open(path) as hdus:
        tables = [hdu for hdu in hdus if isinstance(hdu, fits.BinTableHDU | fits.TableHDU)]
        if not tables:
            from specutils import Spectrum

            return from_specutils(Spectrum.read(path, format="wcs1d-fits"))
        meta = {key.lower(): value for key, value in tables[0].header.items() if isinstance(key, str)}
        for hdu in tables[1:]:
            if hdu.name == "FRAMES":
                meta.update({name: np.array(hdu.data[name], dtype=float) for name in hdu.columns.names})
        return _from_table(QTable.read(tables[0]), meta)


def _from_table(table: Any, meta: dict[str, Any]) -> Frames:
    roles = {name: role_of(name) for name in table.colnames}
    axis_name = next(
        (n for n, r in roles.items() if r in ("wavelength", "wavenumber", "energy", "pixel")), None
    )
    axis_name = axis_name or next((n for n in table.colnames if _is_spectral(table[n])), None)
    flux = [n for n in table.colnames if n.lower().startswith(("flux", "counts", "intensity"))]
    if axis_name is None or not flux:
        raise ReadError(
            f"the table has columns {', '.join(table.colnames)}; expected an axis (wavelength) and "
            "counts (flux).",
            mend="Name the columns so.",
        )
    axis = table[axis_name]
    spread = [n for n in table.colnames if n.lower().startswith("uncertainty")]
    masks = [n for n in table.colnames if n.lower().startswith("mask")]
    deviation = _stack(table, spread) if len(spread) == len(flux) else None
    return from_quantities(
        axis,
        _stack(table, flux),
        variance=None if deviation is None else deviation**2,
        mask=_stack(table, masks) > 0 if len(masks) == len(flux) else None,
        medium=meta.get(_MEDIUM),
        meta=meta,
    )


def _stack(table: Any, names: list[str]) -> NDArray[np.float64]:
    parts = []
    for name in names:
        column: Any = np.ma.filled(
            np.ma.asarray(getattr(table[name], "value", table[name]), dtype=float), np.nan
        )
        parts.append(np.atleast_2d(column.T))
    return np.concatenate(parts)


def _is_spectral(column: Any) -> bool:
    import astropy.units as u

    unit = getattr(column, "unit", None)
    return unit is not None and (unit == u.pix or unit.is_equivalent(u.nm, u.spectral()))


def _standard_axis(axis: Any, medium: str | None) -> tuple[NDArray[np.float64], AxisKind]:
    import astropy.units as u

    unit = getattr(axis, "unit", None)
    values = np.asarray(getattr(axis, "value", axis), dtype=np.float64)
    if unit is None:
        return to_standard(values, "nm_vacuum" if medium == "vacuum" else "nm")[0], "nm_air"
    if unit == u.pix:
        return values, "pixel"
    if unit.is_equivalent(u.nm):
        nm = u.Quantity(values, unit).to_value(u.nm)
        return to_standard(nm, "nm_vacuum" if medium == "vacuum" else "nm")[0], "nm_air"
    if unit.is_equivalent(u.nm, u.spectral()):
        return to_standard(u.Quantity(values, unit).to_value(u.nm, u.spectral()), "nm_vacuum")[0], "nm_air"
    raise ReadError(
        f"the axis is in {unit}, which is no unit of light or pixel.", mend="Give it in nm or pixel."
    )


def _as_variance(uncertainty: Any) -> NDArray[np.float64]:
    from astropy.nddata import VarianceUncertainty

    return np.asarray(uncertainty.represent_as(VarianceUncertainty).array, dtype=np.float64)


def _meta(frames: Frames) -> dict[str, Any]:
    meta: dict[str, Any] = {
        "time_s": frames.time_s.tolist(),
        "exposure_s": frames.exposure_s.tolist(),
        "averages": frames.averages.tolist(),
    }
    for name in _DETECTOR:
        value = getattr(frames.detector, name)
        if value is not None:
            meta[name] = float(value)
    if frames.axis_kind == "nm_air":
        meta[_MEDIUM] = "air"
    if frames.started_at is not None:
        meta["started_at"] = frames.started_at
    return meta


def _per_frame(meta: dict[str, Any], name: str, n: int, default: float) -> NDArray[np.float64]:
    value = np.atleast_1d(np.asarray(meta.get(name, default), dtype=np.float64))
    return value if value.shape == (n,) else np.full(n, value[0] if value.size == 1 else default)


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep astropy's remarks on units and headers off the terminal: what matters is in the sentences."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield
