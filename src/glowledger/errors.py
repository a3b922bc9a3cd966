"""The exceptions of glowledger.

GlowledgerError
├── ReadError           a file cannot be read as spectra
│   ├── AmbiguousFile   two readings are possible and they differ
│   └── NoNumbers       a file holds nothing, or text alone
├── CalibrationError    a lamp, bench or response cannot be used
├── TableError          a line table, species or band is unknown or missing
├── FitError            spectra cannot be fitted as asked
├── RunError            a run cannot be followed
├── LedgerError         the ledger cannot be read or written
└── WriteError          an output cannot be written

Every one says what is wrong (`problem`), how to mend it (`mend`) and where (`file`, `line`).
"""

from __future__ import annotations

from pathlib import Path


class GlowledgerError(Exception):
    """Something the user can act on; the command line prints it as one paragraph and exits with 3.

    Parameters
    ----------
    problem : str
        What was expected and what was found.
    mend : str
        What the user can do about it.
    file : path, optional
        The file concerned.
    line : int, optional
        The line in the file, counted from 1.
    """

    def __init__(
        self, problem: str, *, mend: str = "", file: str | Path | None = None, line: int | None = None
    ) -> None:
        self.problem = problem
        self.mend = mend
        self.file = None if file is None else Path(file)
        self.line = line
        super().__init__(self.paragraph())

    def paragraph(self) -> str:
        """Return the message as one paragraph: place, problem, mend."""
        place = "" if self.file is None else str(self.file)
        if self.line is not None:
            place += f"{', ' if place else ''}line {self.line}"
        head = f"{place}: {self.problem}" if place else self.problem
        return f"{head} {self.mend}".rstrip()


class ReadError(GlowledgerError):
    """A file cannot be read as spectra."""


class AmbiguousFile(ReadError):
    """Two readings of a file are possible and would give different spectra."""


class NoNumbers(ReadError):
    """A file holds nothing, or no rows of numbers: in a folder it is no frame."""


class CalibrationError(GlowledgerError):
    """A lamp spectrum, a bench file or a response cannot be used."""


class TableError(GlowledgerError):
    """A line table, species or molecular band is unknown, missing or damaged."""


class FitError(GlowledgerError):
    """Spectra cannot be fitted as asked."""


class RunError(GlowledgerError):
    """A run cannot be followed."""


class LedgerError(GlowledgerError):
    """The ledger cannot be read or written."""


class WriteError(GlowledgerError):
    """An output file cannot be written."""
