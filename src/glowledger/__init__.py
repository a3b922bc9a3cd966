"""glowledger: read a plasma's light and say what is in it, and whether the part is clean.

Nothing heavy is imported here: ``glowledger --help`` must start fast. The names of the Python interface are
imported from their modules when they are first asked for.
"""

from importlib import import_module
from typing import TYPE_CHECKING

from glowledger.bench.specutils_arrival import register_now_or_later

if TYPE_CHECKING:
    from glowledger.bench.applying import calibrated as calibrated
    from glowledger.bench.bench_file import read_bench as read_bench
    from glowledger.bench.calibration import calibrate as calibrate
    from glowledger.bench.model import Bench as Bench
    from glowledger.bench.outcome import Calibration as Calibration
    from glowledger.bench.specutils_formats import read_calibrated as read_calibrated
    from glowledger.bench.updating import updated_bench as updated_bench
    from glowledger.diagnose.colour import recorded_colour as recorded_colour
    from glowledger.diagnose.colour import true_colour as true_colour
    from glowledger.diagnose.feed import Feed as Feed
    from glowledger.diagnose.feed import parse_feed as parse_feed
    from glowledger.diagnose.findings import findings as findings
    from glowledger.diagnose.sightings import Finding as Finding
    from glowledger.errors import AmbiguousFile as AmbiguousFile
    from glowledger.errors import CalibrationError as CalibrationError
    from glowledger.errors import FitError as FitError
    from glowledger.errors import GlowledgerError as GlowledgerError
    from glowledger.errors import LedgerError as LedgerError
    from glowledger.errors import ReadError as ReadError
    from glowledger.errors import RunError as RunError
    from glowledger.errors import TableError as TableError
    from glowledger.errors import WriteError as WriteError
    from glowledger.glow.identifying import identify_frame as identify_frame
    from glowledger.glow.results import Fit as Fit
    from glowledger.glow.results import SeriesFit as SeriesFit
    from glowledger.glow.results import SpeciesEvidence as SpeciesEvidence
    from glowledger.glow.series import fit_series as fit_series
    from glowledger.ledger.store import open_ledger as open_ledger
    from glowledger.runs.analysing import analyse_run as analyse_run
    from glowledger.runs.endpoint import Criterion as Criterion
    from glowledger.runs.results import Endpoint as Endpoint
    from glowledger.runs.results import RunResult as RunResult
    from glowledger.runs.run_options import RunOptions as RunOptions
    from glowledger.spectra.astropy_edge import from_quantities as from_quantities
    from glowledger.spectra.astropy_edge import from_specutils as from_specutils
    from glowledger.spectra.astropy_edge import to_specutils as to_specutils
    from glowledger.spectra.averaging import mean_frame as mean_frame
    from glowledger.spectra.darks import subtract_dark as subtract_dark
    from glowledger.spectra.frames import Detector as Detector
    from glowledger.spectra.frames import Frames as Frames
    from glowledger.spectra.frames import frames_from_arrays as frames_from_arrays
    from glowledger.spectra.other_formats import AddedReader as AddedReader
    from glowledger.spectra.reading import read_spectra as read_spectra
    from glowledger.spectra.samples import samples_folder as samples_folder
    from glowledger.spectra.writing import write_spectra as write_spectra
    from glowledger.tables.atoms import AtomicLines as AtomicLines
    from glowledger.tables.species import find_species as find_species

__version__ = "0.1.0"

# module -> the public names that are taken from it; the order is that of the reference
INTERFACE = {
    "spectra.reading": ("read_spectra",),
    "spectra.writing": ("write_spectra",),
    "spectra.frames": ("Frames", "Detector", "frames_from_arrays"),
    "spectra.darks": ("subtract_dark",),
    "spectra.averaging": ("mean_frame",),
    "spectra.samples": ("samples_folder",),
    "spectra.astropy_edge": ("to_specutils", "from_specutils", "from_quantities"),
    "spectra.other_formats": ("AddedReader",),
    "bench.calibration": ("calibrate",),
    "bench.outcome": ("Calibration",),
    "bench.updating": ("updated_bench",),
    "bench.bench_file": ("read_bench",),
    "bench.model": ("Bench",),
    "bench.applying": ("calibrated",),
    "bench.specutils_formats": ("read_calibrated",),
    "glow.identifying": ("identify_frame",),
    "glow.series": ("fit_series",),
    "glow.results": ("Fit", "SeriesFit", "SpeciesEvidence"),
    "runs.analysing": ("analyse_run",),
    "runs.run_options": ("RunOptions",),
    "runs.endpoint": ("Criterion",),
    "runs.results": ("RunResult", "Endpoint"),
    "diagnose.feed": ("Feed", "parse_feed"),
    "diagnose.findings": ("findings",),
    "diagnose.sightings": ("Finding",),
    "diagnose.colour": ("recorded_colour", "true_colour"),
    "ledger.store": ("open_ledger",),
    "tables.species": ("find_species",),
    "tables.atoms": ("AtomicLines",),
    "errors": (
        "GlowledgerError", "ReadError", "AmbiguousFile", "CalibrationError", "TableError", "FitError",
        "RunError", "LedgerError", "WriteError",
    ),
}  # fmt: skip
_PLACES = {name: module for module, names in INTERFACE.items() for name in names}


if not TYPE_CHECKING:  # else type checkers would take any name for one of ours

    def __getattr__(name: str) -> object:
        """Import a name of the interface when it is first asked for."""
        if name not in _PLACES:
            raise AttributeError(f"module 'glowledger' has no attribute '{name}'")
        found: object = getattr(import_module(f"glowledger.{_PLACES[name]}"), name)
        globals()[name] = found
        return found


def __dir__() -> list[str]:
    """Return the names of the interface."""
    return sorted({*globals(), *_PLACES})


register_now_or_later()
