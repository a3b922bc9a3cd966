"""Where the bundled sample spectra lie; all of them are invented and say so in their preamble."""

from __future__ import annotations

from pathlib import Path

from glowledger.errors import ReadError
from glowledger.spectra.frames import Frames


def samples_folder() -> Path:
    """Return the folder `sample_spectra`, of an installed package or at the top of a checkout.

    Raises
    ------
    ReadError
        If neither exists.
    """
    package = Path(__file__).resolve().parent.parent
    places = (package / "sample_spectra", package.parent.parent / "sample_spectra")
    for place in places:
        if (place / "cleaning_run.csv").is_file():
            return place
    raise ReadError(
        "the folder sample_spectra with the bundled samples is missing.",
        mend="Install glowledger again, or run it from a complete checkout.",
        file=places[0],
    )


def says_invented(frames: Frames) -> bool:
    """Return True if the preamble of the file says that its data are invented."""
    notes = [value.lower() for key, value in frames.metadata if key.strip().lower() == "note"]
    return any("invented" in note for note in notes)
