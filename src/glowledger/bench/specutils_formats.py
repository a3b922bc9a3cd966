"""glowledger as a format of specutils: ``Spectrum.read(path, format="glowledger")`` and ``spectrum.write``."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from glowledger.errors import GlowledgerError, ReadError
from glowledger.spectra.frames import Frames

FORMAT = "glowledger"
PRIORITY = -20  # below the readers of specutils, so that nothing they claim is read in another way


@cache
def register() -> None:
    """Make ``format="glowledger"`` known to specutils; once is enough, more do no harm.

    Called by itself as soon as both packages are imported, in either order. `Spectrum.read` gives one
    spectrum, with flux of shape (n, p) where the file holds n frames; `SpectrumCollection.read` and
    `SpectrumList.read` give the frames of a run. All take the keywords of `read_calibrated`. Without
    ``format`` a file is recognised if it is text that can be read in one way only and no reader of specutils
    claims it. ``write`` takes the format from the ending: .csv, .ecsv or .fits.
    """
    from specutils import Spectrum, SpectrumCollection, SpectrumList
    from specutils.io.registers import custom_writer, data_loader

    known = {"identifier": _recognises, "priority": PRIORITY, "force": True}
    data_loader(FORMAT, dtype=Spectrum, autogenerate_spectrumlist=False, **known)(_read_spectrum)
    data_loader(FORMAT, dtype=SpectrumCollection, **known)(_read_collection)
    data_loader(FORMAT, dtype=SpectrumList, **known)(_read_list)
    for dtype in (Spectrum, SpectrumCollection):
        custom_writer(FORMAT, dtype=dtype, priority=PRIORITY, force=True)(_write)


def read_calibrated(
    path: str | Path, *, bench: str | Path | None = None, dark: str | Path | None = None, **options: Any
) -> Frames:
    """Read spectra, subtract a dark, and put a bench to them.

    Parameters
    ----------
    path : path
        A file or folder.
    bench : path, optional
        The bench.toml of the spectrometer; left out, the axis stays as the file has it.
    dark : path, optional
        Dark frames of the same exposure, to subtract.
    **options
        Of `glowledger.spectra.reading.read_spectra`: ``axis_unit``, ``delimiter``, ...

    Returns
    -------
    Frames
        In nm (air) with a bench that holds wavelengths.

    Raises
    ------
    ReadError, CalibrationError
        If a file cannot be read, or the bench belongs to another spectrometer.
    """
    from glowledger.bench.applying import calibrated
    from glowledger.bench.bench_file import read_bench
    from glowledger.spectra.darks import subtract_dark
    from glowledger.spectra.reading import read_spectra

    frames = read_spectra(path, **options)
    if dark is not None:
        frames = subtract_dark(frames, read_spectra(dark, **options))
    return frames if bench is None else calibrated(frames, read_bench(bench))


def _recognises(_origin: str, path: Any, fileobj: Any, *_args: Any, **_options: Any) -> bool:
    """Return True for text that can be read in one way only; FITS and ECSV are left to specutils."""
    from glowledger.spectra.reading import read_spectra, require_light

    if fileobj is not None and getattr(fileobj, "name", None) is None:
        return False
    file = Path(path if isinstance(path, str | Path) else fileobj.name)
    if not file.is_file() or file.suffix.lower() in (".fits", ".fit", ".ecsv"):
        return False
    try:
        require_light(read_spectra(file))
    except GlowledgerError:
        return False
    return True


def _named(source: Any) -> Path:
    """Return the path of what astropy hands over: a name, a path or an open file."""
    name = source if isinstance(source, str | Path) else getattr(source, "name", None)
    if not isinstance(name, str | Path):
        raise ReadError("spectra are read from files, not from open streams.", mend="Give the name of a file.")
    return Path(name)


def _read_spectrum(source: Any, **options: Any) -> Any:
    from glowledger.spectra.astropy_edge import to_spectrum

    return to_spectrum(read_calibrated(_named(source), **options))


def _read_collection(source: Any, **options: Any) -> Any:
    from glowledger.spectra.astropy_edge import to_collection

    return to_collection(read_calibrated(_named(source), **options))


def _read_list(source: Any, **options: Any) -> Any:
    from specutils import SpectrumList

    from glowledger.spectra.astropy_edge import to_spectrum

    frames = read_calibrated(_named(source), **options)
    return SpectrumList([to_spectrum(frames[i]) for i in range(len(frames))])


def _write(spectrum: Any, path: str | Path, *, overwrite: bool = False, **_options: Any) -> None:
    """Write a Spectrum or SpectrumCollection; like the writers of astropy it replaces a file only if told to."""
    from glowledger.spectra.astropy_edge import from_specutils
    from glowledger.spectra.writing import write_spectra

    if Path(path).exists() and not overwrite:
        raise OSError(f"{path} is there already; give overwrite=True to replace it.")
    write_spectra(path, from_specutils(spectrum))
