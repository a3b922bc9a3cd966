"""Listings of the tables: columns chosen, sorted, cut and set out as text or CSV."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from glowledger.errors import TableError
from glowledger.tables import atoms, lamps, windows

CITE = (
    "Lines and levels: A. Kramida, Yu. Ralchenko, J. Reader and NIST ASD Team, NIST Atomic Spectra Database, "
    "doi 10.18434/T4W30F; other sources by row, explained in line_tables/FORMAT.md."
)
SORTS = ("wavelength", "strength", "energy", "species")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Column:
    """One column: values of shape (m,), the heading and format in text; no heading keeps it out of text."""

    name: str
    values: NDArray[np.generic]
    heading: str = ""
    form: str = ""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Listing:
    """A table to show.

    Attributes
    ----------
    kind : str
        'species', 'lines', 'lamps', 'windows' or 'bands'.
    columns : tuple of Column
        All of one length.
    note : str
        What to know of the numbers; for an empty listing why it is empty.
    """

    kind: str
    columns: tuple[Column, ...]
    note: str

    def __len__(self) -> int:
        return len(self.columns[0].values)

    def ordered(self, rows: NDArray[np.intp]) -> Listing:
        """Return the rows in the order given."""
        return Listing(
            kind=self.kind,
            columns=tuple(replace(c, values=c.values[rows]) for c in self.columns),
            note=self.note,
        )

    def column(self, name: str) -> NDArray[np.generic]:
        """Return the values of one column."""
        return next(c.values for c in self.columns if c.name == name)

    def records(self) -> list[dict[str, object]]:
        """Return one dict per row, for JSON."""
        cells = [c.values.tolist() for c in self.columns]
        names = [c.name for c in self.columns]
        return [dict(zip(names, row, strict=True)) for row in zip(*cells, strict=True)]

    def as_csv(self) -> str:
        """Return all columns as CSV with a header line; unknown numbers are empty."""
        lines = [",".join(c.name for c in self.columns)]
        cells = [[_plain(v) for v in c.values.tolist()] for c in self.columns]
        lines += [",".join(row) for row in zip(*cells, strict=True)]
        return "\n".join(lines) + "\n"

    def as_text(self) -> str:
        """Return the columns that have headings, aligned, with the note below."""
        if not len(self):
            return self.note + "\n"
        shown = [c for c in self.columns if c.heading]
        cells = [[c.heading, *(_shown(v, c.form) for v in c.values.tolist())] for c in shown]
        numeric = [c.values.dtype.kind in "fi" for c in shown]
        widths = [max(map(len, column)) for column in cells]
        lines = []
        for row in zip(*cells, strict=True):
            padded = [t.rjust(w) if n else t.ljust(w) for t, w, n in zip(row, widths, numeric, strict=True)]
            lines.append("  ".join(padded).rstrip())
        return "\n".join([*lines, "", self.note]) + "\n"


def _plain(value: object) -> str:
    if isinstance(value, float):
        return "" if value != value else f"{value:.10g}"
    text = str(value)
    return f'"{text}"' if "," in text else text


def _shown(value: object, form: str) -> str:
    if isinstance(value, float) and value != value:
        return "-"
    return f"{value:{form}}" if form else str(value)


def species_listing() -> Listing:
    """Return the species of the line table with counts and ranges."""
    table = atoms.load()
    names, first, counts = np.unique(table.species, return_index=True, return_counts=True)
    last = first + counts - 1  # rows are ordered by species, then wavelength
    rated = np.add.reduceat(np.isfinite(table.ga_ki).astype(np.int64), first)
    return Listing(
        kind="species",
        columns=(
            Column(name="species", values=names, heading="species"),
            Column(name="lines", values=counts, heading="lines"),
            Column(name="with_rate", values=rated, heading="with rate"),
            Column(name="from_nm", values=table.wavelength_nm[first], heading="from nm", form=".2f"),
            Column(name="to_nm", values=table.wavelength_nm[last], heading="to nm", form=".2f"),
        ),
        note=f"Name species to see their lines; --kind lamps, windows or bands for the other tables. {CITE}",
    )


def line_listing(names: Sequence[str], range_nm: tuple[float, float]) -> Listing:
    """Return the lines of some species (all if none are named) within a range, nm in air.

    Raises
    ------
    TableError
        If a species is unknown.
    """
    table = atoms.load()
    chosen = table.select(names or None, range_nm)
    if len(chosen):
        note = (
            "nm in standard air. A: transition rate; +/- is one standard error, its grade that of NIST, "
            f"'n' ungraded, 'u' from gf lists, 'm' from memory. {CITE}"
        )
    else:
        whole = table.select(names or None)
        note = (
            f"No lines of {', '.join(names) or 'any species'} from {range_nm[0]:g} to {range_nm[1]:g} nm; "
            f"the table has them from {whole.wavelength_nm.min():.2f} to {whole.wavelength_nm.max():.2f} nm."
        )
    return Listing(kind="lines", columns=_line_columns(chosen), note=note)


def _line_columns(lines: atoms.AtomicLines) -> tuple[Column, ...]:
    return (
        Column(name="species", values=lines.species, heading="species"),
        Column(name="wavelength_nm", values=lines.wavelength_nm, heading="nm", form=".4f"),
        Column(name="wavelength_error_nm", values=lines.wavelength_error_nm(), heading="+/- nm", form=".3f"),
        Column(name="vacuum_nm", values=lines.vacuum_nm),
        Column(name="a_ki_per_s", values=lines.a_ki, heading="A 1/s", form=".3g"),
        Column(name="ga_ki_per_s", values=lines.ga_ki, heading="gA 1/s", form=".3g"),
        Column(name="a_relative_error", values=lines.a_relative_error(), heading="+/- A", form=".1%"),
        Column(name="a_class", values=lines.a_class, heading="grade"),
        Column(name="g_lower", values=lines.g_lower),
        Column(name="g_upper", values=lines.g_upper, heading="g", form=".0f"),
        Column(name="e_lower_cm", values=lines.e_lower_cm),
        Column(name="e_upper_cm", values=lines.e_upper_cm),
        Column(name="upper_ev", values=lines.upper_ev(), heading="upper eV", form=".3f"),
        Column(name="relative_intensity", values=lines.relative_intensity, heading="listed", form=".6g"),
        Column(name="upper_level", values=lines.upper_level),
        Column(name="lower_label", values=lines.lower_label),
        Column(name="upper_label", values=lines.upper_label, heading="upper level"),
        Column(name="source", values=lines.source, heading="source"),
    )


def lamp_listing(names: Sequence[str], range_nm: tuple[float, float]) -> Listing:
    """Return the lines of one lamp, or of several elements in one; TableError if unknown or unnamed."""
    if not names:
        raise TableError("no lamp is named.", mend=f"Name one of {', '.join(lamps.lamp_names())}, or hg,ar.")
    lines = lamps.lamp_lines(",".join(names), secondary=True)
    lines = lines[(lines.wavelength_nm >= range_nm[0]) & (lines.wavelength_nm <= range_nm[1])]
    note = (
        "Strengths are rough, relative to the strongest line of the element: anchors good to a factor of "
        f"some 3, secondary lines 10. Phosphor bands never fix wavelengths. {CITE}"
    )
    if not len(lines):
        note = f"No lines of lamp {','.join(names)} from {range_nm[0]:g} to {range_nm[1]:g} nm."
    return Listing(
        kind="lamps",
        columns=(
            Column(name="species", values=lines.species, heading="species"),
            Column(name="wavelength_nm", values=lines.wavelength_nm, heading="nm", form=".4f"),
            Column(name="error_nm", values=lines.error_nm, heading="+/- nm", form=".3f"),
            Column(name="strength", values=lines.strength, heading="strength", form=".3g"),
            Column(name="role", values=lines.role, heading="role"),
            Column(name="blend", values=lines.blend, heading="within 1 nm"),
            Column(name="source", values=lines.source),
        ),
        note=note,
    )


def window_listing(names: Sequence[str], range_nm: tuple[float, float], thickness_mm: float) -> Listing:
    """Return the transmission of window materials every 10 nm; TableError if a material is unknown."""
    materials = list(names) or [name for name in windows.window_names() if name != windows.UNKNOWN]
    low, high = max(range_nm[0], 200.0), min(range_nm[1], 1100.0)
    nm = np.arange(np.ceil(low / 10) * 10, high + 1e-9, 10.0)
    pairs = [windows.transmission(name, thickness_mm, nm) for name in materials]
    notes = "Pieces of one material differ, most at the edge: measure your own where it matters."
    if names:
        notes = " ".join(windows.window_note(name) for name in materials)
    if not len(nm):
        notes = f"No whole tens of nm from {range_nm[0]:g} to {range_nm[1]:g} within 200 to 1100 nm."
    return Listing(
        kind="windows",
        columns=(
            Column(name="material", values=np.repeat(np.array(materials), len(nm)), heading="material"),
            Column(name="wavelength_nm", values=np.tile(nm, len(pairs)), heading="nm", form=".0f"),
            Column(
                name="transmission",
                values=np.concatenate([v for v, _ in pairs]),
                heading="passes",
                form=".3f",
            ),
            Column(
                name="standard_error", values=np.concatenate([e for _, e in pairs]), heading="+/-", form=".3f"
            ),
        ),
        note=f"Plane window of {thickness_mm:g} mm, both faces, without coating. {notes}",
    )


def sorted_rows(listing: Listing, sort: str) -> NDArray[np.intp]:
    """Return row numbers in an order of `SORTS`; ties by wavelength, unknown values last.

    Raises
    ------
    TableError
        If the listing has no such column.
    """
    keys = {
        "wavelength": ("wavelength_nm", 1),
        "strength": ("strength" if listing.kind == "lamps" else "ga_ki_per_s", -1),
        "energy": ("upper_ev", 1),
        "species": ("species", 1),
    }
    name, sign = keys[sort]
    present = {c.name for c in listing.columns}
    if name not in present:
        if sort == "wavelength":  # species and windows have an order of their own
            return np.arange(len(listing))
        raise TableError(f"the table of {listing.kind} has no {sort} to sort by.", mend="Leave --sort out.")
    if listing.kind == "windows":
        return np.arange(len(listing))
    values = listing.column(name)
    if values.dtype.kind == "f":
        values = sign * np.asarray(values, dtype=np.float64)  # NaN sorts last
    tie = listing.column("wavelength_nm") if "wavelength_nm" in present else np.arange(len(listing))
    return np.lexsort((tie, values))
