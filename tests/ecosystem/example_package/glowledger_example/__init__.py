"""Example of a package that adds a file format and a species to glowledger."""

from pathlib import Path


def tables() -> Path:
    """Return the folder with the added tables."""
    return Path(__file__).parent / "tables"
