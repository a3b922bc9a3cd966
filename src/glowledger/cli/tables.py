"""The command ``tables``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from glowledger.tables.listing import Listing

KINDS = ("lines", "lamps", "windows", "bands", "species")
SORTS = ("wavelength", "strength", "energy", "species")


@click.command()
@click.argument("names", nargs=-1, metavar="[NAME]...")
@click.option("--kind", type=click.Choice(KINDS), help="Which table; lines if a name or range is given.")
@click.option("--from", "low", type=float, default=0.0, help="Lowest wavelength, nm in air.")
@click.option("--to", "high", type=float, default=2000.0, help="Highest wavelength, nm in air.")
@click.option(
    "--sort",
    type=click.Choice(SORTS),
    default="wavelength",
    show_default=True,
    help="Order: strength is gA for lines (largest first), energy that of the upper level.",
)
@click.option("--most", type=click.IntRange(min=1), help="Show this many rows at most, after sorting.")
@click.option(
    "--thickness", type=float, default=3.0, show_default=True, help="Window thickness in mm (--kind windows)."
)
@click.option("--csv", "as_csv", is_flag=True, help="Print all columns as CSV.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document with all columns.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="File to write; stdout if left out.")
def command(
    names: tuple[str, ...],
    kind: str | None,
    low: float,
    high: float,
    sort: str,
    most: int | None,
    thickness: float,
    as_csv: bool,
    as_json: bool,
    output: Path | None,
) -> None:
    """Look up lines, lamps, windows and bands.

    NAME is a species ("Ar I", or Ar for all its ions), a lamp (hg,ar), a window material or a molecule (CO).
    Without names the species of the line table are listed.

    \b
    Examples:
      glowledger tables "Ar I" --from 690 --to 850 --sort strength
      glowledger tables CO N2 --kind bands --from 300 --to 520 --csv
    """
    from glowledger.report import documents

    if as_csv and as_json:
        raise click.UsageError("--csv and --json exclude each other.")
    if not low < high:
        raise click.UsageError(f"--from {low:g} is not below --to {high:g}.")
    kind = kind or ("lines" if names or (low, high) != (0.0, 2000.0) else "species")
    listing = in_order(build(kind, names, (low, high), thickness), sort, most)
    if as_json:
        document = {
            "schema": "glowledger/tables/1",
            "kind": kind,
            "names": names,
            "range_nm": [low, high],
            "rows": listing.records(),
            "note": listing.note,
        }
        text = documents.dumps(document) + "\n"
    else:
        text = listing.as_csv() if as_csv else listing.as_text()
        if as_csv and not len(listing):
            click.echo(listing.note, err=True)
    if output is None:
        click.echo(text, nl=False)
        return
    from glowledger.report.writing import write_text

    write_text(output, text)


def build(kind: str, names: tuple[str, ...], range_nm: tuple[float, float], thickness: float) -> Listing:
    """Return the listing asked for."""
    from glowledger.tables import listing

    if kind == "species":
        return listing.species_listing()
    if kind == "lamps":
        return listing.lamp_listing(names, range_nm)
    if kind == "windows":
        return listing.window_listing(names, range_nm, thickness)
    if kind == "bands":
        from glowledger.tables.band_listing import band_listing

        return band_listing(names, range_nm)
    return listing.line_listing(names, range_nm)


def in_order(listing: Listing, sort: str, most: int | None) -> Listing:
    """Return the listing sorted and cut; what a table does not have is no order."""
    from glowledger.tables.listing import sorted_rows

    return listing.ordered(sorted_rows(listing, sort)[:most])
